"""A junction of one of several sources by its forward voltage: made products with known truth."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from fit.budget.model import Budget
from fit.errors import NotIdentifiable
from fit.measurement.branch_junction import place_of
from fit.measurement.branches import Branches, measure_branches
from fit.measurement.junction import Junction
from fit.measurement.junction_span import junction_alone, without_junction
from fit.records.run import Run
from fit.records.vf_windows import VfWindows
from tests.support.made_branch_junctions import (
    ChipOnTree,
    chip_on,
    chip_on_random_tree,
    chip_run,
    round_tree,
)
from tests.support.made_junctions import Reading, draw_part, lump, voltage
from tests.support.made_trees import without

OFF_S = (900.0, 1200.0)  # the charger first
COOL_S = 400.0
QUIET = Reading(noise_V=2e-5, step_V=0.0, match_u=0.0, power_u=0.0)
CHARGER, DRIVER = 0, 1


@cache
def made(source: int = CHARGER, reading: Reading = QUIET, seed: int = 1) -> ChipOnTree:
    """A part of 2 K/W or so on a tab of the product whose numbers are round."""
    random = np.random.default_rng(seed)
    return chip_on(round_tree(), source, draw_part(np.random.default_rng(5)), reading, random)


@cache
def run_of(source: int = CHARGER) -> Run:
    return chip_run(made(source), OFF_S, cool_s=COOL_S)


def measured(run: Run, source: int = CHARGER) -> Branches:
    return measure_branches(run, made(source).tree.budget)


@cache
def found(source: int = CHARGER) -> Branches:
    return measured(run_of(source), source)


def junction_of(branches: Branches) -> Junction:
    junction = branches.spans.junction
    assert junction is not None
    return junction


def said_of_it(branches: Branches) -> str:
    """The one sentence on a junction that was not measured."""
    assert branches.spans.junction is None
    (said,) = (one for one in branches.spans.warnings if "by its forward voltage" in one)
    return said


@cache
def by_thermocouples() -> Branches:
    return measured(replace(run_of(), vf_windows=None))


@pytest.mark.parametrize("seed", range(101, 105))
def test_the_stated_interval_holds_the_truth(seed: int) -> None:
    one = chip_on_random_tree(seed)
    junction = junction_of(measure_branches(chip_run(one, cool_s=COOL_S), one.tree.budget))
    assert junction.node == one.node
    assert abs(junction.R_K_per_W - one.true_K_per_W) < 2.5 * junction.u_K_per_W
    assert junction.u_K_per_W < 0.08 * one.true_K_per_W


@pytest.mark.parametrize("source", [CHARGER, DRIVER])
def test_the_first_part_to_go_off_is_measured_as_the_last_one_is(source: int) -> None:
    junction = junction_of(found(source))
    assert junction.sources == (source,)
    assert junction.R_K_per_W == pytest.approx(made(source).true_K_per_W, rel=0.03)


def test_it_is_one_more_node_of_the_tree() -> None:
    spans, before = found().spans, by_thermocouples().spans
    assert spans.topology.links == (("junction_1", "tab_1"), *before.topology.links)
    assert spans.topology.sources == ("junction_1", "tab_2")
    assert spans.nodes == ("junction_1", *before.nodes)
    assert spans.resolved[0]
    drop_K = made().true_K_per_W * 4.0 * 0.97
    assert spans.final_degC[0] - spans.final_degC[1] == pytest.approx(drop_K, rel=0.05)


def test_the_spans_by_thermocouples_are_what_they_are_without_it() -> None:
    with_it, before = without_junction(found().spans), by_thermocouples().spans
    assert with_it.nodes == before.nodes
    assert with_it.topology == before.topology
    assert with_it.R_K_per_W.tolist() == before.R_K_per_W.tolist()
    assert with_it.total_covariance == pytest.approx(before.total_covariance)


def test_the_junction_alone_is_its_own_span() -> None:
    spans = found(DRIVER).spans
    one = junction_alone(spans)
    assert one.topology.links == (("junction_2", "tab_2"),)
    assert one.R_K_per_W.tolist() == spans.R_K_per_W[:1].tolist()
    drop_K = junction_of(found(DRIVER)).above_K
    assert one.final_degC[0] - one.final_degC[1] == pytest.approx(drop_K)


def test_only_its_own_sources_power_counts() -> None:
    run = run_of()
    assert run.source_power is not None
    each = run.source_power * [1.0, 2.0]
    other = measured(replace(run, source_power=each, power=each.sum(axis=1)))
    assert junction_of(other).R_K_per_W == pytest.approx(junction_of(found()).R_K_per_W, rel=1e-6)


def test_it_is_calibrated_while_its_own_source_is_off_and_another_on() -> None:
    run = chip_run(made(), (900.0, 1500.0), cool_s=0.0)
    junction = junction_of(measured(run))
    assert junction.calibration.of_its_own
    assert junction.R_K_per_W == pytest.approx(made().true_K_per_W, rel=0.03)


def test_its_power_is_unsure_with_its_own_branch_and_not_with_the_other() -> None:
    """5 per mille of the power and 1 % of 97 % on the path; the other branch carries 5 % of it."""
    unsure = made(reading=replace(QUIET, power_u=0.005))
    spans = measure_branches(chip_run(unsure, OFF_S, cool_s=COOL_S), unsure.tree.budget).spans
    power = spans.covariance["power"]
    u = np.sqrt(np.diag(power))
    assert u[0] / spans.R_K_per_W[0] == pytest.approx(np.hypot(0.005, 0.01 / 0.97), rel=1e-3)
    correlation = dict(zip(spans.topology.links, power[0] / u[0] / u, strict=True))
    assert correlation["tab_1", "back_1"] == pytest.approx(1.0, abs=0.01)
    assert correlation["tab_2", "back_2"] == pytest.approx(0.0, abs=0.05)
    # Of the heat of both: 4 W beside 2.5 W.
    assert correlation["bar", "case"] == pytest.approx(4 / np.hypot(4, 2.5), abs=0.01)


def test_the_tabs_gain_is_common_with_the_span_below_it_alone() -> None:
    unsure = made(reading=replace(QUIET, match_u=0.004))
    run = chip_run(unsure, OFF_S, cool_s=COOL_S)
    spans = measure_branches(run, unsure.tree.budget).spans
    match = spans.covariance["sensor_match"]
    # By hand: 0.4 % of the drop above it, and of its own whole rise below, per watt on the path.
    whole_K_per_W = np.ptp(run.temperature_degC[:, run.nodes.index("tab_1")]) / (4.0 * 0.97)
    below = spans.topology.links.index(("tab_1", "back_1"))
    expected = 0.004**2 * spans.R_K_per_W[0] * whole_K_per_W
    assert match[0, below] == pytest.approx(expected, rel=0.03)
    assert np.count_nonzero(match[0, 1:]) == 1
    assert np.linalg.eigvalsh(spans.total_covariance).min() > -1e-12


def test_windows_while_its_source_was_off_measure_nothing_and_nothing_is_lost() -> None:
    off = measured(chip_run(made(), OFF_S, cool_s=COOL_S, keep=lambda t_s, heated: ~heated))
    assert "lies where it was heated" in said_of_it(off)
    before = by_thermocouples().spans
    assert off.spans.topology == before.topology
    assert off.spans.R_K_per_W.tolist() == before.R_K_per_W.tolist()


def test_windows_of_which_only_the_other_sources_heating_is_left_are_no_heating() -> None:
    """The driver heats on for five minutes after the charger: no window of those counts."""
    late = measured(chip_run(made(), OFF_S, cool_s=COOL_S, keep=lambda t_s, heated: t_s > 1020.0))
    assert "lies where it was heated" in said_of_it(late)


def test_without_a_cool_down_it_is_refused() -> None:
    run = chip_run(made(DRIVER), OFF_S, cool_s=0.0)
    assert "cool_s" in said_of_it(measured(run, DRIVER))


def test_stated_points_stand_in_for_the_cool_down() -> None:
    degC = np.array([25.0, 60.0, 95.0])
    points = tuple(zip(degC.tolist(), voltage(QUIET, degC).tolist(), strict=True))
    run = chip_run(made(DRIVER), OFF_S, cool_s=0.0)
    told = replace(run, metadata=replace(run.metadata, vf_points=points))
    junction = junction_of(measured(told, DRIVER))
    assert not junction.calibration.of_its_own
    assert junction.R_K_per_W == pytest.approx(made(DRIVER).true_K_per_W, rel=0.05)


def test_a_slow_meter_calibrates_and_does_not_measure() -> None:
    slow = made(reading=replace(QUIET, first_s=0.02, window_s=0.2, apart_s=0.02))
    run = chip_run(slow, OFF_S, cool_s=COOL_S)
    said = said_of_it(measure_branches(run, slow.tree.budget))
    assert "calibrates and does not measure" in said


def test_a_late_first_reading_is_said() -> None:
    reading = replace(QUIET, first_s=2e-3, window_s=20e-3)
    late = chip_on(round_tree(), CHARGER, lump(2.0, 20e-3), reading, np.random.default_rng(1))
    spans = measure_branches(chip_run(late, OFF_S, cool_s=COOL_S), late.tree.budget).spans
    assert any("late for a junction" in one for one in spans.warnings)
    assert spans.junction is not None
    assert abs(spans.junction.R_K_per_W - 2.0) < 2 * spans.junction.u_K_per_W


def test_windows_of_a_node_that_no_source_heats_are_told_whose_they_may_be() -> None:
    windows = run_of().vf_windows
    assert windows is not None
    other = VfWindows("chip", windows.t_s, windows.off_s, windows.volts)
    branches = measured(replace(run_of(), vf_windows=other))
    said = said_of_it(branches)
    assert said.startswith("'chip' is not measured")
    assert "junction_1_V, tab_2_V" in said
    assert branches.spans.R_K_per_W.tolist() == by_thermocouples().spans.R_K_per_W.tolist()


def test_windows_above_a_thermocouple_that_is_not_believed_are_not_evaluated() -> None:
    run = run_of()
    degC = run.temperature_degC.copy()
    degC[:, run.nodes.index("tab_1")] = 23.0
    said = said_of_it(measured(replace(run, temperature_degC=degC)))
    assert "'tab_1' under it is not believed" in said


def budget() -> Budget:
    return made().tree.budget


def test_a_junctions_tab_is_the_first_thermocouple_on_its_way() -> None:
    nodes = ("tab_1", "back_1", "tab_2", "bar", "case", "ambient")
    assert place_of("junction_1", budget(), nodes).tab == "tab_1"
    assert place_of("junction_1", budget(), nodes[1:]).tab == "back_1"


def test_heat_of_another_source_above_that_thermocouple_is_no_drop_of_its_own() -> None:
    with pytest.raises(NotIdentifiable, match="heat of driver joins its own above 'case'"):
        place_of("junction_1", budget(), ("case", "ambient"))


def test_where_two_parts_meet_on_the_thermocouple_itself_the_drop_is_its_own() -> None:
    assert place_of("junction_1", budget(), ("bar", "case")).tab == "bar"


def test_a_junction_with_no_thermocouple_on_its_way_is_refused() -> None:
    with pytest.raises(NotIdentifiable, match="put one on its tab"):
        place_of("junction_1", budget(), ("tab_2", "ambient"))


def test_windows_of_a_node_that_a_thermocouple_reads_are_refused() -> None:
    with pytest.raises(NotIdentifiable, match="thermocouple besides"):
        place_of("tab_2", budget(), ("tab_2", "case"))


def test_sources_at_one_junction_heat_it_together() -> None:
    sources = budget().named_sources
    both = replace(budget(), named_sources=(sources[0], replace(sources[1], node="junction_1")))
    assert place_of("junction_1", both, ("tab_1", "case")).sources == (0, 1)


def test_without_a_thermocouple_on_its_tab_it_is_measured_to_the_next() -> None:
    """To back_1, 2 K/W further on."""
    spans = measured(without(run_of(), "tab_1")).spans
    assert spans.topology.links[0] == ("junction_1", "back_1")
    assert spans.R_K_per_W[0] == pytest.approx(made().true_K_per_W + 2.0, rel=0.03)
