"""Stages that are not as budgeted, simulated on the budget's network; expected values by hand."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest

from bench.virtual.prototype import Prototype, simulate
from fit.assessment.alignment import lay_on_budget
from fit.assessment.simulation import SimulatedPath, simulated_path
from fit.budget import predict, read_budget
from fit.measurement.sensor_placement import slow_share
from fit.network.topology import Topology, chain
from fit.records.run import Run
from fit.signals.preparation import prepare
from tests.support import made

CHAIN = """
schema = 1
[conditions]
power_W = 4.0
ambient_degC = 25.0
[[stage]]
name = "vias"
from = "tab"
to = "board_back"
kind = "stated"
R_K_per_W = 3.0
[[stage]]
name = "pad"
from = "board_back"
to = "case"
kind = "stated"
R_K_per_W = 1.0
contact = true
"""
AIR = """
[[stage]]
name = "air"
from = "case"
to = "ambient"
kind = "stated"
R_K_per_W = 5.0
"""
SCREW = """
[[stage]]
name = "screw"
from = "board_back"
to = "case"
kind = "stated"
R_K_per_W = 3.0
"""
INNER_AIR = """
[[leak]]
node = "board_back"
to = "case"
R_K_per_W = 9.0
"""
NODES = ("tab", "board_back", "case", "ambient")


def simulated(tmp_path: Path, text: str) -> SimulatedPath:
    file = tmp_path / "budget.toml"
    file.write_text(text)
    budget = read_budget(file)
    path = lay_on_budget(made.spans(nodes=NODES), budget)
    found = simulated_path(path, predict(budget, draws=10))
    assert found is not None
    return found


def test_budget_as_stated_reads_as_predicted(tmp_path: Path) -> None:
    path = simulated(tmp_path, CHAIN + AIR)
    assert path.spans_K_per_W(np.ones(3)) == pytest.approx([3.0, 1.0, 5.0])


def test_without_other_ways_only_its_own_span_rises(tmp_path: Path) -> None:
    path = simulated(tmp_path, CHAIN + AIR)
    moved = path.moved_K_per_W(["pad"], np.array([1.5, 3.0]))
    assert moved == pytest.approx(np.array([[0.0, 0.5, 0.0], [0.0, 2.0, 0.0]]))


def test_screw_beside_a_pad_takes_over_what_the_pad_does_not_pass(tmp_path: Path) -> None:
    """1 ohm beside 3 is 0.75; a pad of 3 beside 3 is 1.5."""
    path = simulated(tmp_path, CHAIN + SCREW + AIR)
    moved = path.moved_K_per_W(["pad"], np.array([3.0]))
    assert moved[0] == pytest.approx([0.0, 0.75, 0.0])


def test_inner_air_takes_over_what_a_pad_does_not_pass(tmp_path: Path) -> None:
    """1 beside 9 is 0.9; 3 beside 9 is 2.25."""
    path = simulated(tmp_path, CHAIN + AIR + INNER_AIR)
    moved = path.moved_K_per_W(["pad"], np.array([3.0]))
    assert moved[0] == pytest.approx([0.0, 1.35, 0.0])


def test_spans_that_lose_heat_to_a_way_beside_them_read_less() -> None:
    """Tab to case through 1 + 1, beside it 2 from tab to case: half of the heat takes each way.

    With the first 1 at 3, the path is 4 beside 2: a third of the heat takes it. Its drops are 1
    and 1/3 where they were 1/2 each.
    """
    topology = chain(["tab", "bar", "case"]).with_links([("tab", "case")])
    ends = (("tab", "bar"), ("bar", "case"))
    path = SimulatedPath(topology, np.array([1.0, 1.0, 2.0]), ends, ("pad", "joint"))
    assert path.spans_K_per_W(np.ones(3)) == pytest.approx([0.5, 0.5])
    moved = path.moved_K_per_W(["pad"], np.array([3.0]))
    assert moved[0] == pytest.approx([1.0 - 0.5, 1 / 3 - 0.5])


def test_several_stages_change_by_the_same_factor() -> None:
    topology = Topology(("a", "b"), (("a", "b"), ("b", "air")), "air", ("a",))
    path = SimulatedPath(topology, np.array([1.0, 4.0]), (("a", "air"),), ("one", "two"))
    moved = path.moved_K_per_W(["one", "two"], np.array([2.0]))
    assert moved[0] == pytest.approx([5.0])


def test_tree_of_several_sources_is_judged_by_its_own_rooms(tmp_path: Path) -> None:
    text = CHAIN + AIR
    file = tmp_path / "budget.toml"
    text += """
[[stage]]
name = "second pad"
from = "board_back_2"
to = "case"
kind = "stated"
R_K_per_W = 1.0
[[source]]
name = "regulator"
node = "tab"
power_W = 2.0
[[source]]
name = "driver"
node = "board_back_2"
power_W = 2.0
"""
    file.write_text(text)
    budget = read_budget(file)
    path = lay_on_budget(made.spans(nodes=NODES), budget)
    assert simulated_path(path, predict(budget, draws=10)) is None


@pytest.mark.parametrize("heat_s", [90.0, 3600.0])
def test_a_span_on_its_way_up_shows_as_much_of_the_cases_rise_as_is_expected(
    heat_s: float,
) -> None:
    """Expected of a network, and seen in a record of the same network by another simulator."""
    nodes = ("tab", "bar", "case", "ambient")
    R, C = np.array([3.0, 2.0, 6.0]), np.array([2.0, 30.0, 200.0])
    t_s = np.arange(0.0, 60.0 + heat_s, 1.0)
    power = np.where(t_s >= 60.0, 5.0, 0.0)
    true = simulate(Prototype(nodes, tuple(R), tuple(C)), t_s, power)
    readings = np.column_stack([true[node] for node in nodes])
    seen = slow_share(prepare(Run(Path("made"), "made", nodes, t_s, readings, power)), nodes)
    assert seen is not None
    assert seen.look is not None
    ends = tuple(itertools.pairwise(nodes))
    network = SimulatedPath(chain(nodes), R, ends, ("via array", "joint", "surface"))
    expected = network.slow_share(seen.look, C, np.ones(3))
    assert expected == pytest.approx(seen.share, rel=0.05, abs=0.005)
    assert bool(seen.share[1] > 0.3) is (heat_s < 100)
