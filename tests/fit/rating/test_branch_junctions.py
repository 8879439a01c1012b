"""What a product of two parts may do, one of whose junctions was read by its forward voltage."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from fit.compact_model.branch_spice import branch_netlist
from fit.measurement.branches import Branches, measure_branches
from fit.rating.branches import BranchRating, rate_branches
from tests.fit.measurement.test_branch_junction import CHARGER, made
from tests.support.made_branch_junctions import chip_run, chip_stage
from tests.support.made_trees import AMBIENT_DEGC, POWER_W, steady_degC

OFF_S, COOL_S = (4000.0, 4200.0), 400.0  # five time constants of the case
LIMIT_DEGC, HOTTEST_DEGC, TOUCHED_DEGC = 105.0, 40.0, 25.0
BUDGETED = 0.7  # of the chip's true resistance


@cache
def measured(by_voltage: bool) -> Branches:
    """The product, its chip budgeted far below what it has."""
    one = made()
    stages = one.tree.budget.stages
    own = chip_stage(one.node, one.tab, BUDGETED * one.true_K_per_W)
    budget = replace(one.tree.budget, stages=(own, *stages[1:]))
    run = chip_run(one, OFF_S, cool_s=COOL_S)
    return measure_branches(run if by_voltage else replace(run, vf_windows=None), budget)


@cache
def rated(by_voltage: bool) -> BranchRating:
    branches = measured(by_voltage)
    return rate_branches(branches, branches.budget, None, TOUCHED_DEGC)


def above_its_tab_K(rating: BranchRating) -> float:
    return rating.nodes["junction_1"].value - rating.nodes["tab_1"].value


def test_a_junction_that_was_read_is_rated_as_measured_and_another_as_budgeted() -> None:
    drop_K = POWER_W[CHARGER] * 0.97 * made().true_K_per_W
    assert above_its_tab_K(rated(True)) == pytest.approx(drop_K, rel=0.04)
    assert above_its_tab_K(rated(False)) == pytest.approx(BUDGETED * drop_K, rel=0.01)


def test_its_source_may_make_what_takes_the_true_junction_to_its_limit() -> None:
    """The true product at rest at that power, by its nodes' balances."""
    charger = rated(True).sources[CHARGER]
    assert charger.node == "junction_1"
    assert charger.allowable_power_W is not None
    path_W = made().tree.prototype.path_fraction * charger.allowable_power_W.value
    others_W = made().tree.prototype.path_fraction * POWER_W[1]
    tab_degC = steady_degC((path_W, others_W))["tab_1"] + HOTTEST_DEGC - AMBIENT_DEGC
    assert tab_degC + path_W * made().true_K_per_W == pytest.approx(LIMIT_DEGC, abs=2.0)


def test_the_network_that_is_written_out_has_the_junction_as_measured() -> None:
    branches = measured(True)
    junction = branches.spans.junction
    assert junction is not None
    written = branch_netlist(branches.network, ["charger", "driver"]).splitlines()
    (ohm,) = (float(line.split()[-1]) for line in written if "at_junction_1 at_tab_1" in line)
    (farad,) = (float(line.split()[-1]) for line in written if line.startswith("C1 at_junction_1"))
    assert ohm == pytest.approx(junction.R_K_per_W)
    assert ohm * farad == pytest.approx(junction.tau_s)
    assert measured(False).network is measured(False).fitted
