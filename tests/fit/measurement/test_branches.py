"""Spans of a product of two parts: what a record of them shows, and what it leaves open."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from fit.budget import predict
from fit.errors import BudgetError, NotIdentifiable
from fit.measurement.branch_uncertainty import Identified
from fit.measurement.branches import (
    Branches,
    _is_settled,
    _last_degC,
    in_order_of,
    measure_branches,
    powers_on,
)
from fit.network.topology import Link
from fit.planning.bench import typical_bench
from fit.planning.branches import simulated_run
from fit.records.run import Run
from fit.signals.preparation import Signals
from tests.support.made_trees import (
    LINKS,
    POWER_W,
    R_K_PER_W,
    SOURCES,
    TRUE_K_PER_W,
    budget,
    in_a_row,
    made_run,
    prototype,
    steady_degC,
    without,
)

INNER = tuple(link for link in LINKS if link not in (("back_1", "back_2"), ("case", "ambient")))
NOISE_K = 0.02


def measured(run: Run) -> Branches:
    return measure_branches(run, budget())


@cache
def noisy(seed: int = 1) -> Branches:
    return measured(made_run(noise_K=NOISE_K, seed=seed))


@cache
def together(seed: int = 1) -> Branches:
    return measured(made_run(off_s=(600, 600), noise_K=NOISE_K, seed=seed))


@cache
def long() -> Branches:
    """Heated for eight time constants of the case, 200 J/K at 4 K/W."""
    return measured(made_run(off_s=(6400, 6800), end_s=7000))


@cache
def driver_never_on() -> Branches:
    return measured(made_run(on=(True, False), noise_K=NOISE_K))


def spans_of(found: Branches) -> dict[Link, tuple[float, float]]:
    """Resistance and standard uncertainty of every span [K/W]."""
    spans = found.spans
    u = np.sqrt(np.diag(spans.total_covariance))
    pairs = zip(spans.R_K_per_W.tolist(), u.tolist(), strict=True)
    return dict(zip(spans.topology.links, pairs, strict=True))


def apart_u(found: Branches, true: dict[Link, float] = TRUE_K_PER_W) -> float:
    """The largest error of an inner span, in standard uncertainties."""
    spans = spans_of(found)
    return max(abs(R - true[link]) / u for link, (R, u) in spans.items() if link in INNER)


def test_record_without_noise_gives_the_branches_to_a_thousandth() -> None:
    spans = spans_of(measured(made_run()))
    assert set(spans) == {*INNER, ("case", "ambient")}
    for link in INNER:
        assert spans[link][0] == pytest.approx(TRUE_K_PER_W[link], rel=1e-3)


def test_case_to_ambient_is_of_the_heat_of_all_sources_together() -> None:
    found = long()
    assert spans_of(found)[("case", "ambient")][0] == pytest.approx(4.0, rel=0.01)
    assert found.spans.settled


def test_final_temperatures_are_those_at_rest_under_all_powers() -> None:
    spans = long().spans
    true = steady_degC(POWER_W)
    rises = dict(zip(spans.nodes, spans.final_degC - spans.final_degC[-1], strict=True))
    assert rises["tab_1"] == pytest.approx(true["tab_1"] - 25.0, rel=0.01)
    assert rises["case"] == pytest.approx(true["case"] - 25.0, rel=0.01)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_uncertainties_hold_the_truth(seed: int) -> None:
    assert apart_u(noisy(seed)) < 3.0


def test_boards_that_exchange_heat_are_not_taken_for_pads() -> None:
    """A link of 6 K/W between boards, where the budget has 25 K/W."""
    R = list(R_K_PER_W)
    R[LINKS.index(("back_1", "back_2"))] = 6.0
    close = replace(prototype(), resistance_K_per_W=tuple(R))
    spans = spans_of(measured(made_run(close)))
    assert spans[("back_1", "bar")][0] == pytest.approx(0.8, rel=1e-3)
    assert spans[("back_2", "bar")][0] == pytest.approx(1.2, rel=1e-3)


def test_sources_that_only_change_together_are_said_to_leave_something_open() -> None:
    (said,) = [one for one in together().spans.warnings if "together" in one]
    assert said.startswith("charger and driver only change together")
    assert said.endswith("switch them off one after another")
    assert not [one for one in noisy().spans.warnings if "together" in one]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_sources_that_only_change_together_still_hold_the_truth(seed: int) -> None:
    assert apart_u(together(seed)) < 3.0


@pytest.mark.parametrize("pad", [("back_1", "bar"), ("back_2", "bar")])
def test_sources_that_only_change_together_tell_pads_less_surely(pad: Link) -> None:
    at = noisy().spans.topology.links.index(pad)
    one, both = (
        float(np.sqrt(found.spans.covariance["fit"][at, at])) for found in (noisy(), together())
    )
    assert both > 1.2 * one


def test_a_source_that_never_changes_leaves_its_branch_open() -> None:
    spans = driver_never_on().spans
    resolved = dict(zip(spans.topology.links, spans.resolved, strict=True))
    assert (
        "the power of 'driver' never changes: its own branch cannot be told from this record"
        in (spans.warnings)
    )
    assert not resolved["tab_2", "back_2"]
    assert not resolved["back_2", "bar"]
    assert resolved["tab_1", "back_1"]


def test_the_other_branch_is_measured_beside_a_source_that_never_changes() -> None:
    assert apart_u(driver_never_on()) < 3.0
    R, u = spans_of(driver_never_on())[("tab_1", "back_1")]
    assert pytest.approx(2.0, rel=0.01) == R
    assert u < 0.02


def test_branches_that_meet_where_nothing_is_measured_are_told() -> None:
    found = measured(without(made_run(noise_K=NOISE_K), "bar"))
    spans = spans_of(found)
    assert ("bar", "case") in spans
    assert apart_u(found) < 3.0
    assert spans[("back_1", "bar")][1] > spans_of(noisy())[("back_1", "bar")][1]


def test_a_source_that_nobody_measured_lumps_nothing_that_was() -> None:
    found = measured(without(made_run(noise_K=NOISE_K), "tab_1"))
    assert ("tab_1", "back_1") not in spans_of(found)
    assert apart_u(found) < 3.0


def test_heat_of_unmeasured_sources_enters_at_the_first_measured_node() -> None:
    found = measured(without(made_run(noise_K=NOISE_K), "tab_1", "tab_2"))
    assert found.spans.topology.sources == ("back_1", "back_2")
    assert apart_u(found) < 3.0


def test_what_a_hidden_node_does_not_show_is_in_the_span_below_it() -> None:
    """Neither bar nor case measured: one lump for both describes the record badly, 0.5 + 4 K/W."""
    found = measured(without(made_run(noise_K=NOISE_K), "bar", "case"))
    R, u = spans_of(found)[("bar", "ambient")]
    assert abs(R - 4.5) < 2 * u


def test_case_to_ambient_needs_ambient() -> None:
    found = measured(without(made_run(noise_K=NOISE_K), "ambient"))
    assert found.air is None
    assert found.spans.topology.reference == "case"
    assert apart_u(found) < 3.0


def test_measured_nodes_that_no_common_way_passes_are_refused() -> None:
    with pytest.raises(NotIdentifiable, match="no measured node lies on the way of every source"):
        measured(without(made_run(), "bar", "case", "ambient"))


def test_power_that_was_never_on_is_refused() -> None:
    with pytest.raises(NotIdentifiable, match="the power was never on"):
        measured(made_run(on=(False, False), end_s=100.0))


@pytest.mark.parametrize(
    ("sources", "columns"),
    [(("charger", "lamp"), "power_charger_W, power_lamp_W"), (("a", "b"), "power_a_W, power_b_W")],
)
def test_sources_of_other_names_are_refused(sources: tuple[str, str], columns: str) -> None:
    run = replace(made_run(), sources=sources)
    with pytest.raises(BudgetError) as caught:
        measured(run)
    said = str(caught.value)
    assert f"the run records {columns}; the budget's sources are charger, driver" in said
    assert "\n" not in said


def test_one_power_for_several_sources_is_refused() -> None:
    run = replace(made_run(), sources=(), source_power=None)
    with pytest.raises(BudgetError, match=r"the run records power_W; the budget's sources are"):
        measured(run)


def test_power_in_another_unit_is_refused() -> None:
    with pytest.raises(BudgetError, match="recorded in %"):
        measured(replace(made_run(), power_unit="%"))


def test_sources_are_told_by_name_not_by_place() -> None:
    run = made_run()
    assert run.source_power is not None
    turned = replace(run, sources=SOURCES[::-1], source_power=run.source_power[:, ::-1])
    ordered = in_order_of(budget(), turned)
    assert ordered.sources == SOURCES
    np.testing.assert_array_equal(ordered.source_power, run.source_power)


def test_each_source_has_a_power_reading_of_its_own() -> None:
    """2 % of a span that one heats; of one that both heat √(4² + 2.5²)/6.5 of that."""
    run = made_run(noise_K=NOISE_K)
    spans = measured(replace(run, metadata=replace(run.metadata, power_u=0.02))).spans
    u = np.sqrt(np.diag(spans.covariance["power"])) / spans.R_K_per_W
    by_link = dict(zip(spans.topology.links, u, strict=True))
    assert by_link["tab_1", "back_1"] == pytest.approx(0.02, rel=0.05)
    assert by_link["bar", "case"] == pytest.approx(0.02 * np.hypot(4.0, 2.5) / 6.5, rel=0.02)


def test_match_of_a_channel_is_in_every_span_that_ends_there() -> None:
    """1 % of the bar's rise, over what flows: 6.5 W to the case, about 4 W and 2.5 W from the
    boards; with opposite signs above and below."""
    run = made_run(noise_K=NOISE_K)
    spans = measured(replace(run, metadata=replace(run.metadata, match_u={"bar": 0.01}))).spans
    rise_K = np.ptp(run.temperature_degC[:, run.nodes.index("bar")])
    match = spans.covariance["sensor_match"]
    at = {link: i for i, link in enumerate(spans.topology.links)}
    pad, vias, joint = at["back_1", "bar"], at["tab_1", "back_1"], at["bar", "case"]
    assert np.sqrt(match[joint, joint]) == pytest.approx(0.01 * rise_K / 6.5, rel=0.03)
    assert np.sqrt(match[pad, pad]) == pytest.approx(0.01 * rise_K / 4.0, rel=0.1)
    assert match[vias, vias] == 0.0
    assert match[pad, joint] < 0


@pytest.mark.parametrize(
    ("missing", "spans"),
    [
        ("bar", [("tab", "bar"), ("bar", "case"), ("case", "ambient")]),
        ("case", [("tab", "bar"), ("bar", "ambient")]),
    ],
)
def test_a_source_on_the_way_of_another_may_be_measured_or_not(
    missing: str, spans: list[Link]
) -> None:
    """Its node is told by what the other's heat does there; alone it is no node all heat passes."""
    run = simulated_run(predict(in_a_row()), typical_bench(in_a_row()))
    assert list(spans_of(measure_branches(without(run, missing), in_a_row()))) == spans


@pytest.mark.parametrize(("idle_W", "mean_W"), [(0.09, 5.0), (0.11, 2.555)])
def test_a_source_is_on_above_a_fiftieth_of_its_highest_power(idle_W: float, mean_W: float) -> None:
    """A standby of less than 0.1 W beside 5 W is no heating; 0.11 and 5 W have a mean of 2.555."""
    each = np.array([[0.0, idle_W], [4.0, 5.0], [3.0, 5.0], [0.0, idle_W]])
    assert powers_on(each) == pytest.approx([3.5, mean_W])


def record_of(degC: np.ndarray, phase_starts: tuple[int, ...] = (0,)) -> Signals:
    """Scans of one node, one a second, its first `phase_starts` ones begin a phase."""
    one = np.zeros(1)
    t_s = np.arange(float(len(degC)))
    return Signals(
        t_s, ("case",), degC[:, np.newaxis], 0 * t_s, "W", one, one, (), (), (), phase_starts
    )


@pytest.mark.parametrize(("scans", "mean"), [(60, 58.0), (500, 494.5)])
def test_where_a_node_ends_is_the_mean_of_its_last_fiftieth_and_of_three_scans_at_least(
    scans: int, mean: float
) -> None:
    """Counting up by 1 K: 57, 58, 59; and 490 to 499."""
    assert _last_degC(record_of(np.arange(float(scans))), "case") == mean


@pytest.mark.parametrize(
    ("scans", "phase_starts", "settled"),
    [
        (392, (0,), False),
        (393, (0,), True),
        (500, (0, 200), False),
        (700, (0, 200, 600), True),
        (700, (0, 100, 200, 300), True),
    ],
)
def test_a_record_has_settled_where_two_hundredths_were_left_of_its_slowest_response(
    scans: int, phase_starts: tuple[int, ...], settled: bool
) -> None:
    """100 s: exp(-3.912) = 0.02, in the longest stretch without a step of the power."""
    found = SimpleNamespace(
        signals=record_of(np.zeros(scans), phase_starts),
        fitted=SimpleNamespace(tau_s=np.array([5.0, 20.0, 100.0])),
    )
    assert _is_settled(cast(Identified, found)) is settled
