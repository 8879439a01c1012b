"""Bad input of every kind: one line that names file and place, exit status 2, nothing written."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import pytest

from bench.cli import main

SCENARIO = files("heatrun_data") / "charge_controller"
BUDGET = (SCENARIO / "budget.toml").read_text(encoding="utf-8")
RIG = (SCENARIO / "rig.toml").read_text(encoding="utf-8")
HEADER = "t_s,tab_degC,case_degC,ambient_degC,power_W\n"
ROWS = "".join(f"{t},25.0,24.0,23.0,{4.2 * (t > 20):.1f}\n" for t in range(100))


def complaint(capsys: pytest.CaptureFixture[str], folder: Path, *arguments: object) -> str:
    """The one line a command leaves, after making sure that it left nothing else."""
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    with pytest.raises(SystemExit) as left:
        main([str(argument) for argument in arguments])
    output, error = capsys.readouterr()
    after = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    assert (left.value.code, output, len(error.splitlines())) == (2, "", 1), error
    assert after == before
    return error


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


READINGS = {
    "empty": ("", "is empty"),
    "header alone": (HEADER, "no reading"),
    "no line end": (HEADER.strip(), "no whole line"),
    "text in a number": (HEADER + ROWS.replace("25.0", "warm", 1), "line 2, column tab_degC"),
    "NUL bytes": (HEADER + ROWS + "\0\0", "NUL bytes"),
    "a picture": ("\x89PNG\r\n\x1a\n", "line 1"),
    "a column twice": (HEADER.replace("case", "tab") + ROWS, "'tab_degC' stands twice"),
    "no time": (HEADER.replace("t_s", "time") + ROWS, "no column t_s"),
    "no node": ("t_s,power_W\n0,1\n", "no temperature column"),
    "no power": ("t_s,tab_degC\n0,1\n", "no column power_W"),
    "volts alone": ("t_s,tab_degC,supply_V\n0,1,2\n", "supply_A"),
    "time runs backwards": (HEADER + "5,1,1,1,0\n4,1,1,1,0\n", "line 3, column t_s"),
    "a number too large": (HEADER + ROWS.replace("25.0", "1e400", 1), "line 2, column tab_degC"),
    "a power too large": (HEADER + ROWS.replace(",4.2", ",1e300"), "column power_W"),
    "a negative power": (HEADER + ROWS.replace(",4.2", ",-4.2"), "change the sign"),
    "a negative power among others": (HEADER + ROWS.replace(",4.2", ",-3.1", 1), "line 23, column"),
    "a time beyond any run": (HEADER + ROWS + "1e300,25,24,23,0\n", "line 102, column t_s"),
    "one scan": (HEADER + "0,1,1,1,0\n", "only 1 usable scan;"),
    "a short row": (HEADER + "0,1,2\n" + ROWS, "line 2: has 3 cells"),
    "few rows": (HEADER + "0,1,1,1,0\n1,1,1,1,4\n", "at least 8"),
    "nothing moves": (HEADER + ROWS, "readings.csv: no temperature changes"),
    "nothing but ambient": (
        "t_s,ambient_degC,power_W\n" + "".join(f"{t},23.0,{4 * (t > 9)}\n" for t in range(30)),
        "only ambient",
    ),
}


@pytest.mark.parametrize("case", READINGS)
def test_readings_that_cannot_be_fitted(
    case: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text, expected = READINGS[case]
    (folder / "readings.csv").write_bytes(text.encode("latin-1"))
    assert expected in complaint(capsys, folder, "fit", "readings.csv")


DOCUMENTS = {
    "no JSON": ("{", "line 1 column 2: is not JSON"),
    "thousands of brackets": ("[" * 100_000, "no run.json that heatrun would write"),
    "thousands of digits": ('{"n": ' + "9" * 5000 + "}", "no run.json that heatrun would write"),
    "channels that are none": ('{"rig": {"channel": 7}}', "rig: channel: is no list"),
    "a match in words": (
        '{"rig": {"channel": [{"node": "tab", "match_u": "good"}]}}',
        "rig: channel 1: match_u: 'good' will not do",
    ),
    "a match of nothing": (
        '{"rig": {"channel": [{"node": "tab", "match_u": NaN}]}}',
        "rig: channel 1: match_u: nan will not do",
    ),
    "a negative match": ('{"sensors": {"tab": {"match_u": -1}}}', "sensors: tab: match_u: -1"),
    "a list for the power": ('{"rig": {"power": {"u_relative": [1]}}}', "rig: power: u_relative"),
}


@pytest.mark.parametrize("case", DOCUMENTS)
def test_run_documents_that_cannot_be_meant(
    case: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text, expected = DOCUMENTS[case]
    (folder / "run").mkdir()
    (folder / "run" / "readings.csv").write_text(HEADER + ROWS, encoding="utf-8")
    (folder / "run" / "run.json").write_text(text, encoding="utf-8")
    line = complaint(capsys, folder, "fit", "run")
    assert line.startswith("heatrun: run/run.json: ")
    assert expected in line


PROFILES = {
    "a column twice": ("t_s,power_W,power_W\n0,4,1\n9,1,1\n", "column power_W stands twice"),
    "no row": ("t_s,power_W\n", "has no row; two at least"),
    "a negative power": ("t_s,power_W\n0,4\n9,-1\n", "line 3, power_W: '-1' will not do"),
}


@pytest.mark.parametrize("case", PROFILES)
def test_profiles_that_cannot_be_meant(case: str, folder: Path) -> None:
    from fit.errors import InputError
    from fit.rating.power_profile import read_profile

    text, expected = PROFILES[case]
    (folder / "profile.csv").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=expected):
        read_profile(folder / "profile.csv")


TOUCH_TABLES = {
    "not TOML": ("x = [", "is not TOML"),
    "no limit": ("schema = 1\nlimit = []\n", "limit: an empty list will not do; at least one"),
    "misspelt": (
        'schema = 1\n[[limit]]\nstandard = "a"\ncontact = "b"\nduration_s = 1\nmetall_degC = 50\n',
        "limit: 1: metall_degC: unknown key; did you mean 'metal_degC'",
    ),
}


@pytest.mark.parametrize("case", TOUCH_TABLES)
def test_touch_tables_that_cannot_be_meant(case: str, folder: Path) -> None:
    from fit.errors import InputError
    from fit.rating.touch_limits import read_touch_limits

    text, expected = TOUCH_TABLES[case]
    (folder / "touch.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=expected):
        read_touch_limits(folder / "touch.toml")


def test_a_run_alone_is_not_compared(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "readings.csv").write_text(HEADER + ROWS, encoding="utf-8")
    line = complaint(capsys, folder, "compare", "readings.csv", "readings.csv")
    assert "readings.csv: " in line
    assert "name two" in line


def test_a_folder_that_cannot_be_made_is_told_with_what_would_do(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "log.csv").write_text(HEADER + ROWS, encoding="utf-8")
    columns = ("--time", "t_s", "--node", "tab=tab_degC", "--power", "power_W")
    line = complaint(capsys, folder, "import", "log.csv", *columns, "--out", "log.csv/run")
    assert "name a folder you may create" in line


def test_impossible_temperatures_are_left_out_and_said(folder: Path) -> None:
    from fit.records.run import read_run

    text = HEADER + ROWS.replace("25.0", "32767", 3)
    (folder / "readings.csv").write_text(text, encoding="utf-8")
    assert "3 readings of tab" in " ".join(read_run(folder / "readings.csv").left_out)


BUDGETS = {
    "not TOML": ("schema = 1", "schema = =", "not TOML"),
    "negative thickness": ("thickness_mm = 0.5", "thickness_mm = -0.5", "'pad'): thickness_mm"),
    "no area": ("area_mm2 = 308", "area_mm2 = 0", "'pad'): area_mm2"),
    "unknown kind": ('kind = "pad"', 'kind = "glue"', "unknown kind 'glue'"),
    "unknown key": ("count = 20", "count = 20\nwidth = 3", "'via array'): width"),
    "gap": ('from = "board_back"', 'from = "board"', "'pad'): from"),
    "loop": ('to = "ambient"', 'to = "tab"', "comes back to 'tab'"),
    "unsure": ("R_u_K_per_W = 0.15", "R_u_K_per_W = 15", "'junction to tab'"),
    "text": ("power_W = 4.2", 'power_W = "4.2 W"', "conditions: power_W"),
    "not finite": ("power_W = 4.2", "power_W = nan", "conditions: power_W"),
}


@pytest.mark.parametrize("case", BUDGETS)
def test_budgets_that_cannot_be_meant(
    case: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    good, bad, expected = BUDGETS[case]
    assert good in BUDGET
    (folder / "budget.toml").write_text(BUDGET.replace(good, bad, 1), encoding="utf-8")
    line = complaint(capsys, folder, "budget", "budget.toml")
    assert line.startswith("heatrun: budget.toml: ")
    assert expected in line


RIGS = {
    "unknown driver": ('driver = "line"', 'driver = "lines"', "unknown driver 'lines'"),
    "no instrument": ('instrument = "reader"', 'instrument = "raeder"', "channel 1 ('tab')"),
    "guarded stranger": ("tab = 110", "tabb = 110", "guard.max_degC"),
    "one port twice": ("47002", "47001", "same port"),
    "cannot be switched off": ('off = ["OUTP OFF"]', "off = []", "no off commands"),
    "no such port": ("socket://127.0.0.1:47001", "/dev/ttyNONE", "does not exist"),
    "no port number": ("socket://127.0.0.1:47001", "socket://127.0.0.1", "HOST:NUMBER"),
    "nobody there": ("socket://127.0.0.1:47001", "socket://127.0.0.1:1", "cannot be opened"),
}


@pytest.mark.parametrize("case", RIGS)
def test_rigs_that_cannot_be_run(
    case: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    good, bad, expected = RIGS[case]
    assert good in RIG
    (folder / "rig.toml").write_text(RIG.replace(good, bad, 1), encoding="utf-8")
    assert expected in complaint(capsys, folder, "log", "rig.toml", "--out", "new")
    assert not (folder / "new").exists()


IMPORT = ["import", "a.csv", "--time", "t_s", "--node", "tab=tab_degC", "--out", "new"]
LINES = [
    (["fit", "none.csv"], "none.csv: no such file"),
    (["fit", "."], "holds no readings.csv"),
    (["check", "a.csv", "--budget", "none.toml"], "none.toml: no such file"),
    (["check", "a.csv", "--budget", "."], "is a folder"),
    (["check", "a.csv"], "keeps no budget; state --budget BUDGET"),
    (["check", "a.csv", "--budget", "b.toml", "--table", "a.csv"], "exists already"),
    (["check", "a.csv", "--budget", "b.toml", "--table", "none/a.csv"], "no folder none"),
    (["compare", "a.csv", "--table", "a.csv"], "exists already"),
    (["rate", "a.csv", "--budget", "b.toml", "--ambient", "nan"], "--ambient"),
    (["report", "a.csv"], "--out FILE"),
    (["budget", "b.toml", "--power", "inf"], "--power"),
    (["budget", "b.toml", "--ambient", "-300"], "--ambient"),
    ([*IMPORT, "--power", "nothing"], "no column 'nothing'"),
    ([*IMPORT, "--power", "-4"], "no heating power"),
    ([*IMPORT, "--power", "power_W", "--power-unit", ""], "--power-unit"),
    ([*IMPORT, "--power", "4.2", "--power-on", "1e9"], "outside the record"),
    ([*IMPORT, "--power", "4.2", "--time-unit", "days"], "--time-unit"),
    ([*IMPORT[:-1], "a.csv", "--power", "4.2"], "exists already"),
    (["demo", "--fault", "glue"], "'glue'"),
    (["demo", "--out", "a.csv"], "exists already"),
    (["new", "."], "b"),
    (["listen", "/dev/ttyNONE"], "does not exist"),
    (["listen", "/dev/ttyNONE", "--baud", "-5"], "--baud"),
    (["listen", ""], "empty"),
    (["log", "rig.toml", "--resume", "none"], "no such"),
    (["watch", "a.csv"], "no run folder"),
    (["netlist", "a.csv", "--form", "ladder"], "--form"),
    (["cook"], "No such command 'cook'"),
    (["fit", "--cook"], "No such option"),
    (["fit", "a.csv", "--reference"], "requires an argument"),
]


@pytest.mark.parametrize(("arguments", "expected"), LINES, ids=lambda value: str(value)[:60])
def test_commands_that_cannot_be_done(
    arguments: list[str], expected: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "a.csv").write_text(HEADER + ROWS, encoding="utf-8")
    for name, text in (("b.toml", BUDGET), ("budget.toml", BUDGET), ("rig.toml", RIG)):
        (folder / name).write_text(text, encoding="utf-8")
    assert expected in complaint(capsys, folder, *arguments)
