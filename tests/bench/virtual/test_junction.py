"""The virtual sense source: the physics of its window, and the demo that is measured by it."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from bench.demo import Demonstration, make_demo_unit, run_demo
from bench.instruments.window import parsed
from bench.virtual.instrument import Faults
from bench.virtual.junction import SenseSource, VirtualJunction
from bench.virtual.scenarios import SCENARIOS
from fit.rating.rating import rate
from fit.rating.touch_limits import read_touch_limits
from fit.records.run import read_run

SCENARIO = SCENARIOS["junction"]


@pytest.fixture(scope="module")
def junction() -> VirtualJunction:
    found = make_demo_unit("none", 1, SCENARIO).junction
    assert found is not None
    return found


def test_it_cools_as_a_slab_does(junction: VirtualJunction) -> None:
    # Half space, Carslaw & Jaeger 2.9 (memory): 1 - 2 sqrt(a t / pi) / L, tau = 4 L^2 / (pi^2 a).
    age = np.array([1e-4, 4e-4])
    expected = 1 - 2 / np.sqrt(np.pi) * np.sqrt(4 / np.pi**2 * age / junction.tau_s)
    assert junction.left(age) == pytest.approx(expected, abs=0.002)


def test_its_voltage_falls_by_two_millivolts_a_kelvin(junction: VirtualJunction) -> None:
    V = junction.volts(np.array([25.0, 26.0]))
    assert V[0] == pytest.approx(junction.V_at_25)
    assert V[0] - V[1] == pytest.approx(2.02e-3, rel=0.01)


def test_a_cold_junction_reads_the_same_throughout_a_window(junction: VirtualJunction) -> None:
    quiet = replace(junction, noise_mV=0.0)
    source = SenseSource(quiet, lambda: {"junction": 40.0, "tab": 40.0}, seed=1)
    found = parsed(source.answer("VF?", Faults()) or "")
    assert found is not None
    assert len(set(found[1])) == 1


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Demonstration:
    folder: Path = tmp_path_factory.mktemp("junction") / "run"
    return run_demo("die", 2, folder, scenario=SCENARIO)


def test_the_demo_measures_its_junction(done: Demonstration) -> None:
    span = next(one for one in done.spans if one.from_node == "junction")
    assert span.error is not None
    assert abs(span.error) < 0.05


def test_the_demo_finds_the_voids_under_its_die(done: Demonstration) -> None:
    lead = done.verdict.findings[0]
    assert (lead.kind, lead.where) == ("high-resistance", "junction to tab")


def test_a_rating_takes_the_junction_as_measured(done: Demonstration) -> None:
    spans, budget = done.verdict.measured, done.verdict.prediction.budget
    rating = rate(spans, budget, read_touch_limits())
    assert rating.nodes[0].node == "junction"
    assert rating.nodes[0].basis == "measured"
    # Pulses go through the budget's heat capacity of the junction, by the resistance measured.
    assert rating.duty


def test_the_demo_leaves_its_windows_in_the_run_folder(done: Demonstration) -> None:
    with (done.folder / "vf_windows.csv").open(encoding="utf-8") as file:
        first = next(csv.DictReader(file))
    assert list(first) == ["t_s", "off_s", "junction_V"]
    run = read_run(done.folder)
    assert run.vf_windows is not None
    # A window a scan, within the scan.
    assert len(run.vf_windows.opened_s) == len(run.t_s)
    check = json.loads((done.folder / "check.json").read_text(encoding="utf-8"))
    assert check["junction"]["calibrated_by"] == "cool-down"
