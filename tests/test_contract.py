"""What a user, a script or another program relies on: commands, files, keys and exit statuses."""

from __future__ import annotations

import json
import subprocess
import sys
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from bench.cli import main
from bench.commands import COMMANDS

R_K_PER_W = np.array([4.6, 0.54, 0.9, 3.4])  # tab, board_back, bar, case to ambient
C_J_PER_K = np.array([4.0, 10.0, 25.0, 60.0])
BUDGET = (files("heatrun_data") / "charge_controller" / "budget.toml").read_text(encoding="utf-8")


def call(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str]:
    """Exit status and standard output of one command."""
    capsys.readouterr()
    with pytest.raises(SystemExit) as left:
        main([str(argument) for argument in arguments])
    return int(left.value.code or 0), capsys.readouterr().out


def readings(pad: float = 1.0) -> str:
    """A bare CSV of a ladder solved by scipy, with 0.02 K of noise; the pad times `pad`."""
    R = R_K_PER_W * (1, pad, 1, 1)
    t_s = np.arange(0.0, 2700.0, 3.0)

    def slope(t: float, rise: Any) -> Any:
        flow = -np.diff(np.append(rise, 0.0)) / R
        return (np.append(4.0 * (t >= 120), flow[:-1]) - flow) / C_J_PER_K

    rise = solve_ivp(slope, (0, t_s[-1]), np.zeros(4), "LSODA", t_s, max_step=20, rtol=1e-7).y.T
    random = np.random.default_rng(3)
    degC = 23 + np.column_stack([rise, np.zeros(len(t_s))]) + random.normal(0, 0.02, (len(t_s), 5))
    lines = [
        f"{t:g}," + ",".join(f"{value:.4f}" for value in row) + f",{4.0 * (t >= 120)}"
        for t, row in zip(t_s, degC, strict=True)
    ]
    header = "t_s,tab_degC,board_back_degC,bar_degC,case_degC,ambient_degC,power_W"
    return "\n".join([header, *lines, ""])


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sound.csv").write_text(readings(), encoding="utf-8")
    (tmp_path / "budget.toml").write_text(BUDGET, encoding="utf-8")
    return tmp_path


def test_version_and_bare_command(capsys: pytest.CaptureFixture[str]) -> None:
    status, text = call(capsys, "--version")
    assert status == 0
    assert text.startswith("heatrun ")
    status, text = call(capsys)
    assert status == 2
    assert all(f"  {name} " in text for name in COMMANDS)


def test_help_lines_are_whole(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    assert "..." not in call(capsys, "--help")[1].split("Commands:")[1]


def test_help_loads_nothing_heavy() -> None:
    program = (
        "import sys, bench.cli, bench.acquisition.run_loop\n"
        "try: bench.cli.main(['--help'])\n"
        "except SystemExit: pass\n"
        "print(sorted({'pandas', 'scipy', 'lmfit', 'matplotlib'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == "[]"


def test_budget_json(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, text = call(capsys, "budget", "budget.toml", "--json")
    document = json.loads(text)
    assert status == 0
    assert document["schema"] == "heatrun.budget/1"
    stage = {"name", "from", "to", "kind", "R_K_per_W", "R_u_K_per_W", "C_J_per_K"}
    assert all(stage <= set(entry) for entry in document["stages"])
    assert {"rise_K", "degC"} <= set(document["nodes"]["tab"])
    assert all("tau_s" in entry for entry in document["time_constants"])
    assert {"node", "R_K_per_W", "tau_s"} <= set(document["foster"])


def test_budget_tables_fit_80_columns(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    text = call(capsys, "budget", "budget.toml")[1]
    assert "…" not in text
    assert "board_back" in text


def test_brackets_of_a_title_and_a_name_are_printed_as_they_are(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (folder / "budget.toml").read_text(encoding="utf-8")
    text = text.replace('title = "', 'title = "[/] rev [red] ').replace("0.75", "0.05")
    text = text.replace('name = "pad"', 'name = "[/x]"')
    (folder / "brackets.toml").write_text(text, encoding="utf-8")
    status, printed = call(capsys, "budget", "brackets.toml")
    assert status == 0
    assert "[/] rev [red] " in printed
    assert "[/x]: " in printed.split("Note: ")[1]


def test_fit_json_of_a_known_ladder(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, text = call(capsys, "fit", "sound.csv", "--json")
    document = json.loads(text)
    assert status == 0
    assert document["schema"] == "heatrun.fit/1"
    assert document["reference"] == "ambient"
    assert document["power_W"] == pytest.approx(4.0)
    assert {"tau_s", "u_s"} <= set(document["time_constants"][0])
    assert {"R_K_per_W", "R_u_K_per_W", "tau_s", "tau_u_s"} <= set(document["foster"])
    assert {"residual_rms_K", "samples", "warnings"} <= set(document)
    totals = [float(R_K_PER_W[i:].sum()) for i in range(4)]
    measured = [
        document["nodes"][n]["R_total_K_per_W"] for n in ("tab", "board_back", "bar", "case")
    ]
    assert measured == pytest.approx(totals, rel=0.005)


def test_check_statuses_and_json(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "bad.csv").write_text(readings(pad=2.0), encoding="utf-8")
    status, text = call(capsys, "check", "bad.csv", "--budget", "budget.toml", "--json")
    document = json.loads(text)
    assert status == 1
    assert document["schema"] == "heatrun.check/1"
    assert document["decision"] == "non-conforming"
    first, _, pad, *_ = document["spans"]
    assert first["measured"] is None
    assert set(pad) >= {
        "from", "to", "stages", "predicted", "limit_K_per_W", "measured", "p_conforming", "E_n",
        "decision",
    }  # fmt: skip
    # The contract's path_fraction: 0.97 of the recorded power takes this path.
    assert pad["measured"]["R_K_per_W"] == pytest.approx(1.08 / 0.97, rel=0.02)
    assert all(
        {"kind", "where", "probability", "text"} <= set(entry) for entry in document["findings"]
    )
    assert isinstance(document["warnings"], list)
    assert sorted(path.name for path in folder.iterdir()) == ["bad.csv", "budget.toml", "sound.csv"]
    assert call(capsys, "check", "sound.csv", "--budget", "budget.toml", "--json")[0] == 0


def test_import_in_another_unit(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, text = call(
        capsys, "import", "sound.csv", "--time", "t_s", "--node", "tab=tab_degC",
        "--node", "ambient=ambient_degC", "--power", "power_W", "--power-unit", "%", "--out", "run",
    )  # fmt: skip
    assert (status, text.strip()) == (0, "run")
    document = json.loads((folder / "run" / "run.json").read_text(encoding="utf-8"))
    assert document["schema"] == "heatrun.run/1"
    assert {"id", "started", "label", "nodes"} <= set(document)
    header = (folder / "run" / "readings.csv").read_text(encoding="utf-8").splitlines()[0]
    assert header == "t_s,tab_degC,ambient_degC,power_W"
    fitted = json.loads(call(capsys, "fit", "run", "--json")[1])
    assert fitted["power_W"] is None
    assert fitted["power_unit"] == "%"
    assert (folder / "run" / "fit.json").is_file()


@pytest.mark.parametrize("form", ["foster", "cauer"])
def test_netlist(form: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, text = call(capsys, "netlist", "sound.csv", "--form", form)
    assert status == 0
    assert ".subckt sound tab ambient" in text
    resistances = [float(line.split()[3]) for line in text.splitlines() if line.startswith("R")]
    assert sum(resistances) == pytest.approx(R_K_PER_W.sum(), rel=0.005)
