"""What a measured product of two parts may do: against its own temperatures at rest."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from io import StringIO

import numpy as np
import pytest
from rich.console import Console

from bench.virtual.prototype import simulate
from fit.budget.model import Budget, Limits
from fit.errors import NotIdentifiable
from fit.measurement.branches import Branches, measure_branches
from fit.output.terminal.branch_rating import branch_rate_document, print_branch_rating
from fit.rating.branch_network import BranchNetwork, branch_network
from fit.rating.branches import MAP_POINTS, BranchRating, rate_branches
from fit.records.results import to_json
from tests.support.made_trees import (
    NODES,
    POWER_W,
    budget,
    made_run,
    prototype,
    steady_degC,
    without,
)

HOTTEST_DEGC, TOUCHED_DEGC = 40.0, 25.0
LIMIT_DEGC = {"tab_1": 105.0, "tab_2": 100.0}


@cache
def settled() -> Branches:
    """Heated for five time constants of the case."""
    run = made_run(off_s=(4000, 4180), end_s=4360, noise_K=0.03)
    return measure_branches(run, budget())


@cache
def network() -> BranchNetwork:
    return branch_network(settled(), budget())


@cache
def rating() -> BranchRating:
    return rate_branches(settled(), budget(), None, TOUCHED_DEGC)


def without_limits() -> Budget:
    sources = tuple(replace(one, limit_degC=None) for one in budget().named_sources)
    return replace(budget(), named_sources=sources, limits=Limits())


def hottest_over_limit(charger_W: float, driver_W: float) -> float:
    """By how much the true product is over either limit in the hottest air [K]."""
    at_rest = steady_degC((charger_W, driver_W))
    warmer = HOTTEST_DEGC - 25.0
    return max(at_rest[node] + warmer - limit for node, limit in LIMIT_DEGC.items())


def brute_force(over: Callable[[float], float], most: float) -> float:
    """The largest of 20 000 tried values that is not over."""
    tried = np.linspace(0.0, most, 20001)
    return float(max(one for one in tried if over(one) <= 0))


@pytest.mark.parametrize("power_W", [(1.5, 4.0), (5.0, 0.5), (0.0, 2.5)])
def test_temperatures_at_other_powers_are_those_of_the_product(power_W: tuple[float, ...]) -> None:
    """The prototype simulated for 12 time constants of its case at powers never tested."""
    t_s = 10.0 * np.arange(1000)
    true = simulate(prototype(), t_s, np.tile(power_W, (len(t_s), 1)))
    degC = network().node_degC(np.array(power_W), 25.0)
    u = degC[1:].std(axis=0)
    for j, node in enumerate(network().nodes):
        assert abs(degC[0, j] - true[node][-1]) < 2 * u[j]


def test_rises_of_sources_add_up() -> None:
    both, one, other = (
        network().node_degC(np.array(power), 25.0) - 25.0
        for power in ((3.0, 2.0), (3.0, 0.0), (0.0, 2.0))
    )
    assert both == pytest.approx(one + other)


def test_rating_is_at_the_design_powers_in_the_hottest_air() -> None:
    true = steady_degC(POWER_W)
    for node in ("tab_1", "tab_2", "bar", "case"):
        found = rating().nodes[node]
        assert abs(found.value - (true[node] + 15.0)) < 2 * found.u
    assert [one.decision for one in rating().sources] == ["conforming", "conforming"]
    assert rating().missing == ()


def test_allowable_power_is_where_the_product_itself_reaches_a_limit() -> None:
    charger, driver = (one.allowable_power_W for one in rating().sources)
    assert charger is not None
    assert driver is not None
    by_force = brute_force(lambda P: hottest_over_limit(P, 2.5), 12.0)
    assert abs(charger.value - by_force) < 2 * charger.u + 1e-3
    by_force = brute_force(lambda P: hottest_over_limit(4.0, P), 12.0)
    assert abs(driver.value - by_force) < 2 * driver.u + 1e-3


def test_all_powers_may_grow_together_until_the_first_limit() -> None:
    factor = rating().common_factor
    assert factor is not None
    by_force = brute_force(lambda f: hottest_over_limit(4.0 * f, 2.5 * f), 3.0)
    assert abs(factor.value - by_force) < 2 * factor.u + 1e-3


def test_every_point_of_the_map_is_at_a_limit() -> None:
    assert rating().power_map_W.shape == (MAP_POINTS, 2)
    limit = np.array([LIMIT_DEGC.get(node, np.inf) for node in network().nodes])
    for power in rating().power_map_W:
        at = network().node_degC(power, HOTTEST_DEGC)[0]
        assert (at - limit).max() == pytest.approx(0.0, abs=1e-6)


def test_map_ends_where_one_source_is_off() -> None:
    points = rating().power_map_W
    alone = brute_force(lambda P: hottest_over_limit(P, 0.0), 15.0)
    other = brute_force(lambda P: hottest_over_limit(0.0, P), 15.0)
    assert points[0] == pytest.approx([0.0, other], rel=0.02)
    assert points[-1] == pytest.approx([alone, 0.0], rel=0.02, abs=1e-6)
    assert np.all(np.diff(points[:, 1]) < 0)


def test_nothing_is_allowed_beside_others_that_are_too_much_already() -> None:
    limit = np.where(np.array(network().nodes) == "tab_2", 60.0, np.inf)
    allowed = network().allowable_W(0, np.array([0.0, 5.0]), limit, HOTTEST_DEGC)
    assert allowed == pytest.approx(0.0, abs=1e-9)


def test_without_limits_no_power_is_allowed_or_mapped() -> None:
    found = rate_branches(settled(), without_limits(), None, TOUCHED_DEGC)
    assert [one.allowable_power_W for one in found.sources] == [None, None]
    assert [one.decision for one in found.sources] == [None, None]
    assert found.common_factor is None
    assert found.power_map_W.shape == (0, 2)
    assert "no limit for charger, driver: state limit_degC of the source" in found.missing
    assert "no touch limit: state limits.case_touch_degC" in found.missing


def test_worst_ambient_may_be_stated() -> None:
    found = rate_branches(settled(), budget(), 55.0, TOUCHED_DEGC)
    assert found.ambient_degC == 55.0
    assert found.nodes["tab_1"].value == pytest.approx(rating().nodes["tab_1"].value + 15.0)


def test_worst_ambient_that_nobody_stated_is_said() -> None:
    plain = replace(budget(), conditions=replace(budget().conditions, ambient_max_degC=None))
    found = rate_branches(settled(), plain, None, TOUCHED_DEGC)
    assert found.ambient_degC == 25.0
    assert found.missing == (
        "no worst ambient: rated at the budget's 25 °C; state conditions.ambient_max_degC or"
        " --ambient",
    )


def test_touching_is_judged_in_air_of_its_own() -> None:
    node, ambient, degC, limit = rating().touched
    assert (node, ambient, limit) == ("case", TOUCHED_DEGC, 60.0)
    assert abs(degC.value - steady_degC(POWER_W)["case"]) < 2 * degC.u


def test_power_far_beyond_the_test_is_an_extrapolation() -> None:
    said = [one for one in rating().cautions if "extrapolation" in one]
    assert [one.partition(" ")[0] for one in said] == ["'charger'", "'driver'"]
    assert all("hardware cut-out" in one for one in said)
    assert "those licensed to judge by them" in rating().cautions[-1]
    assert rating().cautions[0].startswith("hot surface: the case reaches 51 °C")


def test_a_source_nobody_measured_is_rated_with_the_budgets_stage_and_its_doubt() -> None:
    """2 K/W known to 0.2 K/W, at 4 W: 0.8 K more than what is measured below."""
    run = made_run(off_s=(4000, 4180), end_s=4360, noise_K=0.03)
    found = measure_branches(without(run, "tab_1"), budget())
    rated = rate_branches(found, budget(), None, TOUCHED_DEGC)
    tab, board = rated.nodes["tab_1"], rated.nodes["back_1"]
    assert tab.value - board.value == pytest.approx(8.0, abs=0.2)
    assert np.sqrt(tab.u**2 - board.u**2) == pytest.approx(0.8, rel=0.2)


@pytest.mark.parametrize("missing", [(), ("ambient",)])
def test_no_rating_where_the_way_to_air_is_not_resolved(missing: tuple[str, ...]) -> None:
    short = without(made_run(off_s=(150, 300), end_s=300.0, noise_K=0.03), *missing)
    found = measure_branches(short, budget())
    with pytest.raises(
        NotIdentifiable, match="the record does not resolve the last span"
    ) as caught:
        rate_branches(found, budget(), None, TOUCHED_DEGC)
    assert "heat longer with all sources on" in str(caught.value)


def test_document_has_every_source_in_place_of_one_junction() -> None:
    document = json.loads(to_json(branch_rate_document(rating())))
    assert document["schema"] == "heatrun.rate/1"
    assert set(document["nodes"]) == set(NODES[:-1])
    assert document["tested"]["sources"]["driver"] == pytest.approx(2.5)
    assert document["power_W"] == 6.5
    driver = document["sources"]["driver"]
    assert (driver["node"], driver["limit_degC"], driver["decision"]) == (
        "tab_2",
        100.0,
        "conforming",
    )
    assert driver["allowable_power_W"]["value"] == pytest.approx(4.83, abs=0.1)
    assert document["power_map"]["sources"] == ["charger", "driver"]
    assert len(document["power_map"]["W"]) == MAP_POINTS
    assert document["touch"]["limit_degC"] == 60.0


def test_a_person_reads_temperatures_powers_and_cautions() -> None:
    text = StringIO()
    print_branch_rating(Console(file=text, width=100, highlight=False), rating())
    shown = text.getvalue()
    assert "charger 4.00 W, driver 2.50 W at 40 °C ambient" in shown
    assert "times all these powers together" in shown
    assert "driver may make at most, beside charger, W" in shown
    assert shown.count("Caution:") == len(rating().cautions)
