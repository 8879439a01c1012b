"""Other loggers' files: the same readings whatever their form, or one line that says why not."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer import Typer
from typer.testing import CliRunner

from fit.commands.import_file import command
from fit.errors import RecordError
from fit.records.imports import convert as importing
from fit.records.imports.convert import Columns, Imported, import_file
from fit.records.imports.delimited import Format
from fit.records.run import Run, read_run

T_S = (0.0, 1.0, 2.5, 4.0)
TAB = (23.0, 24.5, 25.25, 26.125)
CASE = (22.0, 22.5, 22.75, 23.0)
POWER = (0.0, 4.2, 4.2, 4.2)
PLAIN = "Time,T1,T2,P\n" + "".join(
    f"{t},{a},{b},{p}\n" for t, a, b, p in zip(T_S, TAB, CASE, POWER, strict=True)
)
BY_NAME = {"time": ("Time",), "nodes": {"tab": "T1", "case": "T2"}, "power": "P"}


def brought_in(tmp_path: Path, text: str | bytes, **columns: object) -> Run:
    file = tmp_path / "log.txt"
    file.write_bytes(text.encode() if isinstance(text, str) else text)
    imported = import_file(file, Columns(**(BY_NAME | columns)), tmp_path / "run")  # type: ignore[arg-type]
    return read_run(imported.folder)


def complaint(tmp_path: Path, text: str | bytes, **columns: object) -> str:
    """The one line that says what is wrong; nothing is left behind."""
    with pytest.raises(RecordError) as caught:
        brought_in(tmp_path, text, **columns)
    assert [path.name for path in tmp_path.iterdir()] == ["log.txt"]
    assert "\n" not in str(caught.value)
    return str(caught.value).removeprefix(str(tmp_path / "log.txt"))


def document_of(run: Run) -> dict[str, Any]:
    """run.json as it was written."""
    return dict(json.loads((run.path / "run.json").read_text(encoding="utf-8")))


def same_readings(run: Run) -> None:
    assert run.nodes == ("tab", "case")
    np.testing.assert_allclose(run.t_s, T_S, atol=1e-9)
    np.testing.assert_allclose(run.temperature_degC, np.column_stack([TAB, CASE]), atol=1e-8)
    np.testing.assert_allclose(run.power, POWER)


def test_stated_accuracy_is_kept_as_a_rig_would_state_it(tmp_path: Path) -> None:
    rig = document_of(brought_in(tmp_path, PLAIN, match_u=0.004, power_u=0.005))["rig"]
    assert isinstance(rig, dict)
    assert {c["node"]: c["match_u"] for c in rig["channel"]} == {"tab": 0.004, "case": 0.004}
    assert rig["power"] == {"u_relative": 0.005}


@pytest.mark.parametrize(
    ("unit", "words"),
    [("min", "time: column 'Time' [min]"), (None, "time: column 'Time' [s, as no --time-unit")],
)
def test_the_unit_that_time_was_taken_in_is_said(
    tmp_path: Path, unit: str | None, words: str
) -> None:
    origin = document_of(brought_in(tmp_path, PLAIN, time_unit=unit))["import"]
    assert isinstance(origin, dict)
    assert any(words in note for note in origin["notes"])


def test_no_rig_where_no_accuracy_is_stated(tmp_path: Path) -> None:
    assert document_of(brought_in(tmp_path, PLAIN))["rig"] is None


# Forms


def test_a_plain_file_comes_in_as_it_is(tmp_path: Path) -> None:
    same_readings(brought_in(tmp_path, PLAIN))


def test_the_run_folder_says_where_it_came_from(tmp_path: Path) -> None:
    document = document_of(brought_in(tmp_path, PLAIN))
    assert document["schema"] == "heatrun.run/1"
    assert document["nodes"] == ["tab", "case"]
    assert document["import"]["file"] == "log.txt"


@st.composite
def forms(draw: st.DrawFn) -> tuple[bytes, bool]:
    """The same readings in any form, and whether they have a header."""
    delimiter = draw(st.sampled_from(";\t|, "))
    decimal = draw(st.sampled_from(".,"))
    header = draw(st.booleans())
    in_quotes = delimiter != " " and (decimal == delimiter or draw(st.booleans()))

    def line(cells: tuple) -> str:
        texts = [str(cell).replace(".", decimal) for cell in cells]
        return delimiter.join(f'"{text}"' if in_quotes else text for text in texts) + "\n"

    text = draw(st.sampled_from(["", "Logger 7\n", "Prüfling: Laderegler\n\n# Start 10:15\n"]))
    text += line(("Time", "T1", "T2", "P")) if header else ""
    text += "".join(line(row) for row in zip(T_S, TAB, CASE, POWER, strict=True))
    if draw(st.booleans()):
        text = text.removesuffix("\n")
    text = text.replace("\n", draw(st.sampled_from(["\n", "\r\n", "\r"])))
    return text.encode(draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]))), header


@given(form=forms())
@settings(max_examples=150, deadline=None)
def test_every_form_gives_the_same_readings(
    tmp_path_factory: pytest.TempPathFactory, form: tuple[bytes, bool]
) -> None:
    folder = tmp_path_factory.mktemp("Prüfstand 2 °C")
    data, header = form
    file = folder / "mesures é.csv"
    file.write_bytes(data)
    by_number = Columns(time=("1",), nodes={"tab": "2", "case": "3"}, power="4")
    columns = Columns(**BY_NAME) if header else by_number  # type: ignore[arg-type]
    same_readings(read_run(import_file(file, columns, folder / "run").folder))


def test_columns_may_be_given_by_number_under_a_header(tmp_path: Path) -> None:
    by_number = {"time": ("1",), "nodes": {"tab": "2", "case": "3"}, "power": "4"}
    same_readings(brought_in(tmp_path, PLAIN, **by_number))


def test_some_columns_may_be_named_and_others_numbered(tmp_path: Path) -> None:
    mixed = {"time": ("1",), "nodes": {"tab": "2", "case": "T2"}, "power": "P"}
    same_readings(brought_in(tmp_path, PLAIN, **mixed))


def test_a_name_that_is_not_there_is_named_beside_numbers(tmp_path: Path) -> None:
    assert "no column 'power'" in complaint(tmp_path, PLAIN, time=("1",), power="power")


def test_names_match_whatever_their_case_and_blanks(tmp_path: Path) -> None:
    same_readings(brought_in(tmp_path, PLAIN.replace("Time,T1", " TIME , t1 ")))


def test_a_line_of_units_under_the_header_is_left_out_and_said(tmp_path: Path) -> None:
    run = brought_in(tmp_path, PLAIN.replace("P\n", "P\ns,°C,°C,W\n"))
    same_readings(run)
    assert "line 2: units" in run.left_out[0]


def test_date_and_time_between_blanks_are_taken_by_number(tmp_path: Path) -> None:
    text = "".join(
        f"  {datetime(2026, 3, 29, 23, 59, 58) + timedelta(seconds=t):%Y-%m-%d %H:%M:%S.%f} "
        f" {a}   {b} {p}\n"
        for t, a, b, p in zip(T_S, TAB, CASE, POWER, strict=True)
    )
    by_number = {"time": ("1", "2"), "nodes": {"tab": "3", "case": "4"}, "power": "5"}
    same_readings(brought_in(tmp_path, text, **by_number))


def test_elapsed_hours_minutes_and_seconds_are_a_form_of_time(tmp_path: Path) -> None:
    text = PLAIN.replace("\n0.0,", "\n00:59:59.0,").replace("\n1.0,", "\n01:00:00.0,")
    text = text.replace("\n2.5,", "\n01:00:01.5,").replace("\n4.0,", "\n01:00:03.0,")
    same_readings(brought_in(tmp_path, text, time_format="%H:%M:%S.%f"))


@pytest.mark.parametrize("form", ["{:02}:{:02}:{:06.3f}", "{}:{:02}:{:04.1f}"])
def test_time_of_day_goes_on_past_midnight(tmp_path: Path, form: str) -> None:
    text = PLAIN.splitlines()[0] + "\n"
    for t, line in zip(T_S, PLAIN.splitlines()[1:], strict=True):
        s = (86398.0 + t) % 86400
        clock = form.format(int(s // 3600), int(s % 3600 // 60), s % 60)
        text += f"{clock},{line.split(',', 1)[1]}\n"
    run = brought_in(tmp_path, text)
    same_readings(run)
    assert any("midnight passed once" in note for note in document_of(run)["import"]["notes"])


def test_lines_before_the_header_are_left_out_and_said(tmp_path: Path) -> None:
    run = brought_in(tmp_path, "Logger 7\n\nOperator, N. N.\n" + PLAIN)
    same_readings(run)
    assert "lines 1 to 3: before the readings" in run.left_out[0]


@pytest.mark.parametrize("word", ["OL", "Open", "-OL", "Overload"])
def test_open_input_is_a_missing_reading_and_said(tmp_path: Path, word: str) -> None:
    run = brought_in(tmp_path, PLAIN.replace("26.125", word))
    assert np.isnan(run.temperature_degC[3, 0])
    assert any(f"1 cell '{word}'" in sentence for sentence in run.left_out)


def test_lines_may_be_passed_over(tmp_path: Path) -> None:
    noise = "Time,T1,T2,P\n1,1,1,1\n"
    same_readings(brought_in(tmp_path, noise + PLAIN, format=Format(skip_lines=2)))


def test_a_footer_and_a_torn_line_are_left_out_and_said(tmp_path: Path) -> None:
    run = brought_in(tmp_path, PLAIN + "5.0,27\n\nTotal: 4 readings\n")
    same_readings(run)
    assert "lines 6 to 8: at the end of the file" in run.left_out[0]


def test_repeated_time_stamps_are_left_out_and_said(tmp_path: Path) -> None:
    run = brought_in(tmp_path, PLAIN.replace("2.5,25.25", "1.0,99,99,9\n2.5,25.25"))
    same_readings(run)
    assert "1 line with a repeated time stamp" in run.left_out[0]


def test_empty_cells_and_the_stated_word_are_missing_readings(tmp_path: Path) -> None:
    text = PLAIN.replace("24.5,22.5", "OL,").replace("26.125", "-999.0")
    run = brought_in(tmp_path, text, format=Format(missing=("OL", "-999")))
    assert np.isnan(run.temperature_degC).tolist() == [
        [False, False],
        [True, True],
        [False, False],
        [True, False],
    ]


# Units


@pytest.mark.parametrize(
    ("unit", "seconds"), [("s", 1.0), ("ms", 1e-3), ("min", 60.0), ("h", 3600.0)]
)
def test_time_units(tmp_path: Path, unit: str, seconds: float) -> None:
    text = "Time,T1,T2,P\n" + "".join(
        f"{1.7e9 + t / seconds:.7f},{a},{b},{p}\n"
        for t, a, b, p in zip(T_S, TAB, CASE, POWER, strict=True)
    )
    run = brought_in(tmp_path, text, time_unit=unit)
    np.testing.assert_allclose(run.t_s, T_S, atol=2e-3)


@pytest.mark.parametrize(
    "form",
    [
        "%Y-%m-%d %H:%M:%S.%f",
        "%Y-%m-%dT%H:%M:%S,%f",
        "%Y-%m-%dT%H:%M:%S.%f+02:00",
        "%Y-%m-%dT%H:%M:%S.%fZ",
    ],
)
def test_iso_stamps_are_known_by_themselves(tmp_path: Path, form: str) -> None:
    text = "Time;T1;T2;P\n" + "".join(
        f"{datetime(2026, 3, 29, 1, 59, 58) + timedelta(seconds=t):{form}};{a};{b};{p}\n"
        for t, a, b, p in zip(T_S, TAB, CASE, POWER, strict=True)
    )
    same_readings(brought_in(tmp_path, text))


def test_the_start_is_taken_from_stamps_with_a_zone(tmp_path: Path) -> None:
    text = "Time,T1,T2,P\n2026-03-29T01:59:58+02:00,23,22,0\n2026-03-29T01:59:59+02:00,23,22,0\n"
    document = document_of(brought_in(tmp_path, text))
    assert document["started"] == "2026-03-28T23:59:58Z"
    assert document["import"]["started_from"] == "the stamps"


def test_date_and_time_of_day_may_stand_in_two_columns(tmp_path: Path) -> None:
    text = "Date\tClock\tT1\tT2\tP\n" + "".join(
        f"{datetime(2026, 3, 29, 23, 59, 58) + timedelta(seconds=t):%d.%m.%Y\t%H:%M:%S.%f}"
        f"\t{a}\t{b}\t{p}\n"
        for t, a, b, p in zip(T_S, TAB, CASE, POWER, strict=True)
    )
    run = brought_in(tmp_path, text, time=("Date", "Clock"), time_format="%d.%m.%Y %H:%M:%S.%f")
    same_readings(run)


@pytest.mark.parametrize(
    ("unit", "from_degC"), [("K", lambda c: c + 273.15), ("degF", lambda c: c * 1.8 + 32)]
)
def test_temperature_units(tmp_path: Path, unit: str, from_degC: object) -> None:
    text = "Time,T1,T2,P\n" + "".join(
        f"{t},{from_degC(a)!r},{from_degC(b)!r},{p}\n"  # type: ignore[operator]
        for t, a, b, p in zip(T_S, TAB, CASE, POWER, strict=True)
    )
    same_readings(brought_in(tmp_path, text, temperature_unit=unit))


@pytest.mark.parametrize("kelvins", [{"temperature_unit": "K"}, {}], ids=["taken so", "not said"])
def test_a_bench_hardly_so_cold_or_hot_is_asked_about(
    tmp_path: Path, kelvins: dict[str, object]
) -> None:
    text = PLAIN if kelvins else PLAIN.replace("23.0,22", "296,295").replace(",2", ",29")
    notes = document_of(brought_in(tmp_path, text, **kelvins))["import"]["notes"]
    assert sum("--temperature-unit" in note for note in notes) == 2
    assert not any("right?" in note for note in _notes_of_a_plain_file(tmp_path / "plain"))


def _notes_of_a_plain_file(folder: Path) -> list[str]:
    folder.mkdir()
    return document_of(brought_in(folder, PLAIN))["import"]["notes"]


def test_power_in_another_unit_is_recorded_as_such(tmp_path: Path) -> None:
    assert brought_in(tmp_path, PLAIN, power_unit="percent").power_unit == "percent"


# Power


def test_stated_power_is_on_from_the_first_reading(tmp_path: Path) -> None:
    run = brought_in(tmp_path, PLAIN, power="12.5")
    assert run.power.tolist() == [12.5] * 4
    assert [event.event for event in run.events] == ["stop"]


def test_stated_power_steps_where_it_is_said_to(tmp_path: Path) -> None:
    run = brought_in(tmp_path, PLAIN, power="12W", power_on_s=0.7, power_off_s=4.0)
    assert run.power.tolist() == [0.0, 12.0, 12.0, 0.0]
    assert [(event.t_s, event.event) for event in run.events] == [
        (0.7, "power_on"),
        (4.0, "power_off"),
        (4.0, "stop"),
    ]


def test_a_whole_number_is_watts_where_columns_are_named(tmp_path: Path) -> None:
    assert brought_in(tmp_path, PLAIN, power="4").power.tolist() == [4.0] * 4


def test_a_whole_number_is_watts_where_it_is_said_to_step(tmp_path: Path) -> None:
    by_number = {"time": ("1",), "nodes": {"tab": "2"}, "power": "4", "power_on_s": 1.0}
    assert brought_in(tmp_path, PLAIN, **by_number).power.tolist() == [0.0, 4.0, 4.0, 4.0]


def test_a_whole_number_beyond_the_columns_is_watts(tmp_path: Path) -> None:
    by_number = {"time": ("1",), "nodes": {"tab": "2"}, "power": "12"}
    assert brought_in(tmp_path, PLAIN, **by_number).power.tolist() == [12.0] * 4


def test_volts_and_amperes_are_kept_as_two_columns(tmp_path: Path) -> None:
    run = brought_in(tmp_path, PLAIN, power=None, supply_V="T1", supply_A="P")
    np.testing.assert_allclose(run.power, np.multiply(TAB, POWER))


# What is refused


@pytest.mark.parametrize(
    ("text", "columns", "says"),
    [
        ("", {}, "is empty"),
        ("Time,T1,T2,P\n", {}, "holds no reading"),
        (PLAIN, {"nodes": {"tab": "T9"}}, "line 1: no column 'T9'; there are: Time, T1, T2, P"),
        (PLAIN, {"power": "Q"}, "no column 'Q'"),
        (PLAIN, {"time": ("0",), "nodes": {"tab": "2"}, "power": "4"}, "numbers, 1 to 4"),
        (PLAIN.replace("24.5", "24.5 C"), {}, "line 3, column 'T1': '24.5 C' is not a number"),
        (PLAIN.replace("26.125", "void"), {}, "--missing 'void'"),
        (PLAIN.replace("26.125", "inf"), {}, "line 5, column 'T1': 'inf' is not a number"),
        (PLAIN.replace("26.125", "1e300"), {}, "line 5, column 'T1': 1e300 is hotter than any"),
        (PLAIN.replace("26.125", "1e999"), {}, "line 5, column 'T1': 1e999 is hotter than any"),
        (PLAIN.replace("26.125,23.0,4.2", "26,23,-4.2"), {}, "line 5, column 'P': a power of -4.2"),
        (PLAIN.replace("26.125,23.0,4.2", "26,23,1e300"), {}, "a power of 1e+300; at most 1e+09"),
        (PLAIN.replace("4.0,26", "4e9,26"), {}, "line 5, column 'Time': 4e+09 s after the first"),
        (PLAIN, {"power": "1e300"}, "--power: 1e+300 is no heating power"),
        ("Time,T1,T2,P\n10:00:00,1,2,0\n09:59:00,1,2,0\n", {}, "runs backwards, by 60 s"),
        (PLAIN.replace("1.0,", "x,"), {}, "line 3, column 'Time': 'x' is not a number"),
        (PLAIN.replace("1.0,24.5,22.5,4.2", "1.0"), {}, "line 3: has too few cells"),
        (PLAIN.replace("2.5,", "0.5,"), {}, "line 4, column 'Time': time runs backwards, by 0.5 s"),
        (PLAIN.replace("23.0,22", "-1,22"), {"temperature_unit": "K"}, "below absolute zero"),
        (PLAIN, {"time_unit": "iso"}, "is no ISO 8601 time"),
        (PLAIN, {"power": "3", "power_on_s": 9.0}, "--power-on: 9 s is outside the record"),
        (PLAIN, {"power": "3", "power_on_s": 2.0, "power_off_s": 1.0}, "is not later"),
        (PLAIN, {"power_on_s": 2.0}, "go with a stated power"),
        (PLAIN, {"power": None}, "--power: is not given"),
        (PLAIN, {"supply_V": "T1"}, "go together"),
        (PLAIN, {"nodes": {"Tab": "T1"}}, "--node Tab: is no name"),
        (PLAIN, {"format": Format(encoding="ebcdic-9")}, "--encoding: 'ebcdic-9' is no encoding"),
        (PLAIN.replace("T2", "T1"), {"nodes": {"tab": "T1"}}, "by number; it is 2 and 3"),
        (PLAIN, {"nodes": {"tab": "T1", "case": "T1"}}, "column T1: is asked for twice"),
        (b"Time,T1\n0,\x00\n", {}, "line 2: holds NUL bytes"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named_and_nothing_is_left_behind(
    tmp_path: Path, text: str | bytes, columns: dict, says: str
) -> None:
    assert says in complaint(tmp_path, text, **columns)


def test_a_decimal_comma_that_was_denied_is_named(tmp_path: Path) -> None:
    text = PLAIN.replace(",", ";").replace(".", ",")
    says = complaint(tmp_path, text, format=Format(decimal="."))
    assert "--decimal ," in says or "is not a number" in says


def test_no_such_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="no such file"):
        import_file(tmp_path / "absent.csv", Columns(**BY_NAME), tmp_path / "run")  # type: ignore[arg-type]


def test_a_folder_that_exists_is_refused_and_untouched(tmp_path: Path) -> None:
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "mine").write_text("keep")
    with pytest.raises(RecordError, match="exists already"):
        brought_in(tmp_path, PLAIN)
    assert [path.name for path in (tmp_path / "run").iterdir()] == ["mine"]


def test_a_failure_while_writing_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(importing.Path, "rename", fail)
    (tmp_path / "log.txt").write_text(PLAIN)
    with pytest.raises(RecordError, match="No space left"):
        import_file(
            tmp_path / "log.txt",
            Columns(**BY_NAME),  # type: ignore[arg-type]
            tmp_path / "new" / "parent" / "run",
        )
    assert [path.name for path in tmp_path.iterdir()] == ["log.txt"]


@given(body=st.binary(max_size=200), with_header=st.booleans())
@settings(max_examples=150, deadline=None)
def test_no_bytes_whatever_end_in_anything_but_a_run_or_one_line(
    tmp_path_factory: pytest.TempPathFactory, body: bytes, with_header: bool
) -> None:
    folder = tmp_path_factory.mktemp("any")
    file = folder / f"any-{os.getpid()}.csv"
    file.write_bytes((PLAIN.encode() if with_header else b"") + body)
    outcome = attempt(file, folder / "run")
    if isinstance(outcome, Imported):
        assert np.all(np.diff(read_run(outcome.folder).t_s) > 0)
    else:
        assert len(outcome.splitlines()) == 1
        assert not (folder / "run").exists()


def attempt(file: Path, out: Path) -> Imported | str:
    """The import, or what it says is wrong."""
    try:
        return import_file(file, Columns(**BY_NAME), out)  # type: ignore[arg-type]
    except RecordError as error:
        return str(error)


# The command


APP = Typer()
APP.command()(command)


def invoke(*words: str) -> str:
    result = CliRunner().invoke(APP, words)
    assert result.exit_code == 0, result.output
    return result.stdout


def test_the_command_prints_the_run_folder_and_nothing_else(tmp_path: Path) -> None:
    (tmp_path / "log.txt").write_text(PLAIN)
    out = tmp_path / "run"
    words = ["--time", "Time", "--node", "tab=T1", "--node", "case=T2", "--power", "P"]
    assert invoke(str(tmp_path / "log.txt"), *words, "--out", str(out)) == f"{out}\n"
    same_readings(read_run(out))


def test_the_default_folder_is_named_by_start_and_label(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "log.txt").write_text(
        "Time,T1,P\n2026-03-29T02:00:00Z,23,0\n2026-03-29T02:00:01Z,23,4\n"
    )
    words = ["--time", "Time", "--node", "tab=T1", "--power", "P", "--label", "Rev C, pad 2"]
    folder = invoke("log.txt", *words).strip()
    assert Path(folder) == Path("runs/20260329T020000Z_rev-c-pad-2")
    events = (tmp_path / folder / "events.jsonl").read_text().splitlines()
    assert json.loads(events[-1])["event"] == "stop"


def test_options_that_cannot_be_meant_are_refused(tmp_path: Path) -> None:
    (tmp_path / "log.txt").write_text(PLAIN)
    words = [str(tmp_path / "log.txt"), "--time", "Time", "--power", "P"]
    for node in ("tab", "=T1", "tab="):
        assert CliRunner().invoke(APP, [*words, "--node", node]).exit_code == 2


def test_stamps_without_a_zone_are_said_to_be_taken_as_utc(tmp_path: Path) -> None:
    text = "Time,T1,T2,P\n2026-03-29 01:59:58,23,22,0\n2026-03-29 01:59:59,23,22,0\n"
    origin = document_of(brought_in(tmp_path, text))["import"]
    assert "taken as UTC" in origin["started_from"]
    started = datetime.fromisoformat(str(document_of(read_run(tmp_path / "run"))["started"]))
    assert started == datetime(2026, 3, 29, 1, 59, 58, tzinfo=UTC)


TWO = "Time,T1,T2,P,Q\n0,23,22,0,0\n1,24,22.5,3,2\n2,25,23,3,0\n"
OF_TWO = {"power": None, "sources": {"charger": "P", "regulator": "Q"}}


def test_the_power_of_each_of_several_sources_is_a_column_of_its_own(tmp_path: Path) -> None:
    run = brought_in(tmp_path, TWO, **OF_TWO)
    header = (run.path / "readings.csv").read_text().splitlines()[0]
    assert header == "t_s,tab_degC,case_degC,power_charger_W,power_regulator_W"
    assert run.sources == ("charger", "regulator")
    assert run.source_power is not None
    np.testing.assert_allclose(run.source_power, [[0, 0], [3, 2], [3, 0]])
    np.testing.assert_allclose(run.power, [0, 5, 3])


@pytest.mark.parametrize(
    ("columns", "what"),
    [
        (OF_TWO | {"power": "P"}, "--source and --power: do not go together"),
        (OF_TWO | {"power": "4.2"}, "--source and --power: do not go together"),
        (OF_TWO | {"supply_V": "P", "supply_A": "Q"}, "--source and --supply-voltage"),
        ({"power": None}, "--source NAME=COL for each of several sources"),
        ({"power": None, "sources": {"Charger 1": "P"}}, "is no name of a source"),
        ({"power": None, "sources": {"charger": "P", "regulator": "P"}}, "is asked for twice"),
        (OF_TWO | {"power_on_s": 1.0}, "go with a stated power"),
    ],
)
def test_sources_that_cannot_be_meant_are_refused(
    tmp_path: Path, columns: dict[str, Any], what: str
) -> None:
    assert what in complaint(tmp_path, TWO, **columns)


def test_source_takes_the_place_of_power_on_the_command_line(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text(TWO)
    app = Typer()
    app.command()(command)
    words = [str(tmp_path / "log.csv"), "--time", "Time", "--node", "tab=T1", "--node", "case=T2"]
    words += ["--source", "charger=P", "--source", "regulator=Q", "--out", str(tmp_path / "run")]
    assert CliRunner().invoke(app, words).exit_code == 0
    assert read_run(tmp_path / "run").sources == ("charger", "regulator")
