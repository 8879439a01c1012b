"""The virtual bench of two parts, one of which is read by its forward voltage, from end to end."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from bench.demo import Demonstration, run_demo
from bench.virtual.scenarios import SCENARIOS

JUNCTION, TRUE_K_PER_W = "charger_junction", 1.8

PROTOTYPE = f"""
[junction]
node = "{JUNCTION}"
tab = "charger_tab"
tau_s = 0.02
V_at_25 = 0.612
mV_per_K = 2.02
curvature = 2.6
noise_mV = 0.12
step_mV = 0.061
first_us = 100
last_us = 5000
readings = 50
"""
DIE = f"""
[[stage]]
name = "charger die"
from = "{JUNCTION}"
to = "charger_tab"
"""
TRUE_DIE = f"{DIE}R_K_per_W = {TRUE_K_PER_W}\nC_J_per_K = 0.011\n"
STATED_DIE = f'{DIE}kind = "stated"\nR_K_per_W = 1.7\nR_u_K_per_W = 0.15\n'
SENSE = f"""
[[instrument]]
name = "sense"
driver = "window"
port = "socket://127.0.0.1:47004"
query = "VF?"

[[channel]]
node = "{JUNCTION}"
instrument = "sense"
field = "window"
kind = "forward_voltage"
unit = "V"
sense_mA = 5.0
"""


def scenario(folder: Path) -> Path:
    """The scenario of two parts with a chip on the charger's tab, and its sense source."""

    def of(name: str) -> str:
        return (SCENARIOS["two-parts"] / name).read_text(encoding="utf-8")

    entering = 'node = "charger_tab"', f'node = "{JUNCTION}"'
    for name, die in (("prototype.toml", TRUE_DIE), ("budget.toml", STATED_DIE)):
        head, stages, rest = of(name).replace(*entering, 1).partition("\n[[stage]]")
        more = PROTOTYPE if name == "prototype.toml" else ""
        (folder / name).write_text(head + die + stages + rest + more, encoding="utf-8")
    (folder / "rig.toml").write_text(of("rig.toml") + SENSE, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Demonstration:
    folder = tmp_path_factory.mktemp("branch-junction")
    return run_demo("none", 2, folder / "run", scenario=scenario(folder))


def test_the_junctions_span_is_measured_on_its_branch(done: Demonstration) -> None:
    span = next(one for one in done.spans if one.from_node == JUNCTION)
    assert span.to_node == "charger_tab"
    assert span.error is not None
    assert abs(span.error) < 0.06


def test_no_thermocouple_reads_the_junction(done: Demonstration) -> None:
    with (done.folder / "readings.csv").open(encoding="utf-8") as file:
        columns = next(csv.reader(file))
    assert f"{JUNCTION}_degC" not in columns
    assert "charger_tab_degC" in columns


def test_its_windows_and_how_they_were_read_are_in_the_run_folder(done: Demonstration) -> None:
    with (done.folder / "vf_windows.csv").open(encoding="utf-8") as file:
        assert next(csv.reader(file)) == ["t_s", "off_s", f"{JUNCTION}_V"]
    check = json.loads((done.folder / "check.json").read_text(encoding="utf-8"))
    assert check["junction"]["node"] == JUNCTION
    assert check["spans"][0]["decision"] == "conforming"


def test_the_report_counts_its_stage_among_those_measured(done: Demonstration) -> None:
    report = (done.folder / "report.html").read_text(encoding="utf-8")
    assert JUNCTION in report
    assert "nobody measured" not in report
