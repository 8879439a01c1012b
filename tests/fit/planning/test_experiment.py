"""What a plan promises: decisions, times, reasons, thermocouples."""

from __future__ import annotations

import dataclasses
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from fit.assessment.decision import CONFORMING, NON_CONFORMING, decide, probability_of_conformity
from fit.budget import predict, read_budget
from fit.errors import BudgetError, RigError
from fit.network.modes import modes
from fit.planning.bench import read_bench, typical_bench
from fit.planning.excess import SURE, smallest_excess
from fit.planning.experiment import chances, plan
from fit.planning.network import lumped_network

DATA = Path(str(files("heatrun_data") / "charge_controller"))
BUDGET = DATA / "budget.toml"
RIG = DATA / "rig.toml"


@pytest.fixture(scope="module")
def budget():
    return read_budget(BUDGET)


@pytest.fixture(scope="module")
def bench(budget):
    return read_bench(RIG, budget)


@pytest.fixture(scope="module")
def found(budget, bench):
    return plan(budget, bench)


def test_a_junction_read_in_windows_is_no_thermocouple_of_the_plan(budget) -> None:
    rig = Path(str(files("heatrun_data") / "junction" / "rig.toml"))
    assert read_bench(rig, budget).nodes == ("tab", "board_back", "bar", "case", "ambient")


@pytest.mark.parametrize("u", [0.02, 0.06, 0.15])
@pytest.mark.parametrize("predicted", [0.6, 0.8])
def test_chances_are_those_of_many_runs_as_check_decides_them(u: float, predicted: float) -> None:
    """Drawn: the product from its budget, the reading from the product; decided by JCGM 106."""
    random = np.random.default_rng(1)
    read = predicted + 0.05 * random.standard_normal(4000) + u * random.standard_normal(4000)
    decided = [decide(probability_of_conformity(float(one), u, upper=0.75)) for one in read]
    shares = [decided.count(CONFORMING) / 4000, decided.count(NON_CONFORMING) / 4000]
    assert chances(predicted, 0.05, 0.75, u) == pytest.approx(shares, abs=0.03)


@pytest.mark.parametrize("relative_u", [0.005, 0.05, 0.2])
@pytest.mark.parametrize("predicted_u", [0.0, 0.1])
def test_the_smallest_excess_is_found_by_95_of_100_readings(
    relative_u: float, predicted_u: float
) -> None:
    """Drawn: readings of a larger resistance, each with an uncertainty in proportion to itself."""
    random = np.random.default_rng(2)
    true = 1.0 + float(smallest_excess(1.0, relative_u, predicted_u))
    read = true * (1 + relative_u * random.standard_normal(100_000))
    beyond = read - SURE * np.hypot(relative_u * read, predicted_u) > 1.0
    assert np.mean(beyond) == pytest.approx(0.95, abs=0.003)


def test_lumping_keeps_rises_and_their_first_moments(budget) -> None:
    """Elmore's delay of the first measured node: Σ a τ is that of the whole network."""
    prediction = predict(budget)
    network, unknown = lumped_network(prediction, ("tab", "bar", "case", "ambient"), 1.0)
    C = [*prediction.C_J_per_K]
    whole = modes(budget.tree, prediction.R_K_per_W, C)
    a, tau = whole.terms("tab")
    b, tau_lumped = network.modes.terms("tab")
    assert not unknown
    assert b.sum() == pytest.approx(a.sum())
    assert b @ tau_lumped == pytest.approx(a @ tau, rel=0.01)


def test_a_span_is_decided_from_when_its_uncertainty_is_small_enough(found) -> None:
    for span in found.spans:
        late = found.t_s >= span.decided_after_s
        assert (span.curve_K_per_W[late] <= 1.01 * span.needed_u_K_per_W).all()


def test_without_a_thermocouple_its_two_spans_are_one(found) -> None:
    without = {one.node: one.u_without for one in found.thermocouples}
    assert "board_back - case" in without["bar"]
    assert without["bar"].keys() & {"board_back - bar", "bar - case"} == set()
    assert {one.node: one.worth for one in found.thermocouples}["tab"] == np.inf


def test_what_no_length_decides_says_why(budget, bench) -> None:
    poor = dataclasses.replace(bench, match_u=dict.fromkeys(bench.nodes, 0.2))
    (said,) = [one for one in plan(budget, poor).warnings if one.startswith("case to air cannot")]
    assert "cannot be decided at any length or power, because the match of the sensors" in said


def test_what_the_record_tells_of_the_match_is_not_held_against_the_run(budget, bench) -> None:
    """Sensors off by a tenth of a rise of 20 K: twice the drop over the pad, and yet decided."""
    poor = dataclasses.replace(bench, match_u=dict.fromkeys(bench.nodes, 0.1))
    (pad,) = [span for span in plan(budget, poor).spans if span.name == "pad"]
    assert pad.decided_after_s is not None
    assert pad.parts["sensor_match"] < 0.1 * pad.R_K_per_W


def test_the_power_that_would_be_needed_is_enough(budget, bench) -> None:
    weak = dataclasses.replace(bench, power_W=0.05, heat_s=300.0, match_u={}, power_u=0.0)
    span = plan(budget, weak).spans[1]
    needed = float(span.why.split("would need ")[1].split(" W")[0])
    after = plan(budget, dataclasses.replace(weak, power_W=1.06 * needed)).spans[1]
    assert span.u_K_per_W > span.needed_u_K_per_W
    assert after.u_K_per_W <= after.needed_u_K_per_W


def test_a_power_that_melts_solder_is_not_asked_for(budget, bench) -> None:
    short = dataclasses.replace(bench, match_u={}, power_u=0.0)
    said = " ".join(plan(budget, short, 30.0).warnings)
    assert "more power would melt solder" in said
    assert "W: mind what the parts may bear" not in said


def test_a_known_lag_makes_a_short_run_surer(budget, bench) -> None:
    known = dataclasses.replace(bench, lag_s=dict.fromkeys(bench.nodes, (1.5, 0.1)))
    fit = [plan(budget, one, 60.0).spans[1].parts["fit"] for one in (bench, known)]
    assert fit[1] < fit[0]


def test_a_bench_of_no_rig_leaves_the_junction_out_and_says_so(budget) -> None:
    typical = typical_bench(budget)
    assert typical.nodes == ("tab", "board_back", "bar", "case", "ambient")
    assert "'junction'" in typical.remarks[0]


def test_a_budget_without_heat_capacities_is_refused(tmp_path) -> None:
    bare = [line for line in BUDGET.read_text().splitlines() if not line.startswith("C_J_per_K")]
    path = tmp_path / "budget.toml"
    path.write_text("\n".join(bare))
    with pytest.raises(BudgetError, match="no stage states its C_J_per_K"):
        plan(read_budget(path))


@pytest.mark.parametrize(
    ("was", "is_now", "said"),
    [
        ("interval_s = 2.0", 'interval_s = "two"', "sequence: interval_s: 'two' will not do"),
        ("heat_s = 7200 ", "heat_s = -1 ", "sequence: heat_s: -1 will not do"),
        ("match_u = 0.004 ", "match_u = 4 ", "match_u: 4 will not do"),
    ],
)
def test_a_rig_that_will_not_do_is_refused_in_one_line(
    budget, tmp_path, was: str, is_now: str, said: str
) -> None:
    path = tmp_path / "rig.toml"
    assert was in RIG.read_text()
    path.write_text(RIG.read_text().replace(was, is_now))
    with pytest.raises((RigError, Exception), match=said):
        read_bench(path, budget)
