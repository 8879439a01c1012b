"""What heat stored and heat lost beside the path lead a check to expect; made values, by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from fit.assessment import evidence
from fit.assessment.alignment import Alignment, lay_on_budget
from fit.assessment.evidence import (
    _capacity_evidence,
    _side_conductance,
    _simulated,
    _slow_evidence,
    pattern_of,
)
from fit.assessment.hypotheses import Pattern
from fit.budget.model import Budget, Leak, Prediction
from fit.measurement.heat_capacity import StoredHeat
from fit.measurement.sensor_placement import SlowShare
from fit.measurement.spans import Spans
from tests.support import made

# Our own judgement: shares of the heat that leaks unbudgeted, of the heat capacity that no drawing
# shows, and of that above a span where the budget states none.
LEAK_U, NOT_DRAWN, UNKNOWN_UPSTREAM = 0.03, 0.03, 0.2
LEAKS = (
    Leak("tab", 50.0),
    Leak("bar_end", 40.0),
    Leak("case", 20.0),
    Leak("board_back", 25.0, to_node="bar"),
)
SPAN_R = np.array([3.2, 0.6, 0.7, 7.5])  # K/W, the last case to ambient


def leaking(leaks: tuple[Leak, ...] = LEAKS) -> Prediction:
    prediction = made.prediction()
    budget = prediction.budget
    return replace(
        prediction,
        budget=Budget("made", Path("b"), budget.conditions, budget.limits, budget.stages, leaks),
    )


def seen(share: tuple[float, ...] = (0.01, 0.02, 0.03, 1.0)) -> Spans:
    return replace(
        made.spans(), slow_share=SlowShare(np.array(share), np.diag([1e-4, 4e-4, 9e-4, 0.0]))
    )


SHARE_U = 0.02
LIMITS = 1.25 * np.array(made.PREDICTED_K_PER_W)


def laid(*, per_path_watt: bool) -> tuple[Alignment, Pattern]:
    """Spans on a budget whose path takes half the power, give or take SHARE_U, as a pattern."""
    prediction = made.prediction()
    conditions = replace(
        prediction.budget.conditions, path_fraction=0.5, path_fraction_u=0.5 * SHARE_U
    )
    prediction = replace(prediction, budget=replace(prediction.budget, conditions=conditions))
    path = replace(lay_on_budget(made.spans(), prediction.budget), per_path_watt=per_path_watt)
    return path, pattern_of(path, prediction, LIMITS)


def test_half_the_power_makes_twice_the_resistance_and_half_the_heat() -> None:
    path, found = laid(per_path_watt=False)
    assert found.measured_K_per_W == pytest.approx(2 * path.R_K_per_W)
    assert found.heat_W == pytest.approx(made.POWER_W / 2)
    assert found.rise_K_per_W * found.heat_W == pytest.approx(path.rise_K)


def test_what_the_share_leaves_open_is_common_to_all_spans() -> None:
    """JCGM 100, 5.2: R = R_read / share; relative uncertainties of each add, correlated by it."""
    path, found = laid(per_path_watt=False)
    both = np.outer(found.measured_K_per_W, found.measured_K_per_W)
    relative = path.covariance / np.outer(path.R_K_per_W, path.R_K_per_W) + SHARE_U**2
    assert found.measured_covariance / both == pytest.approx(relative)


def test_what_is_per_watt_along_the_path_needs_no_share() -> None:
    path, found = laid(per_path_watt=True)
    assert found.measured_K_per_W == pytest.approx(path.R_K_per_W)
    assert found.measured_covariance == pytest.approx(path.covariance)
    assert found.heat_W == pytest.approx(made.POWER_W)


def test_side_ways_to_air_add_up_from_span_to_span() -> None:
    """1/50 at the tab, 1/40 behind the bar, 1/20 at the case; a way to another node is none."""
    prediction = leaking()
    path = lay_on_budget(made.spans(), prediction.budget)
    found = _side_conductance(path, prediction.budget)
    assert found == pytest.approx([1 / 50, 1 / 50, 1 / 50, 1 / 50 + 1 / 40 + 1 / 20])


def test_without_side_ways_nothing_leaves_beside_the_path() -> None:
    prediction = made.prediction()
    path = lay_on_budget(made.spans(), prediction.budget)
    assert _side_conductance(path, prediction.budget).tolist() == [0, 0, 0, 0]


STORED = np.array([0.95, 3.95, 0.5 * (23.95 + 28.95)]) / 218.95
"""Share of the heat capacity above the middle of each inner span.

0.05 + 0.9; + 3; then + 20 above the bar and + 5 above its joint, of 218.95 J/K in all."""


def test_stored_heat_is_expected_in_the_slow_share_and_lost_heat_is_not() -> None:
    """R_j (c_j / R_last - G_j): what is stored upstream adds, what leaves there takes."""
    prediction = leaking()
    evidence = _slow_evidence(lay_on_budget(seen(), prediction.budget), prediction)
    assert evidence is not None
    slope = STORED / SPAN_R[-1] - 1 / 50
    assert evidence.share == pytest.approx([0.01, 0.02, 0.03])
    assert evidence.per_K_per_W == pytest.approx(slope)
    assert evidence.expected == pytest.approx(SPAN_R[:3] * slope)


def test_expected_slow_share_is_as_sure_as_capacities_and_side_ways_are() -> None:
    """30 % of the share stored upstream and LEAK_U, times R_j / R_last; JCGM 100, 5.1.2."""
    prediction = leaking(())
    evidence = _slow_evidence(lay_on_budget(seen(), prediction.budget), prediction)
    assert evidence is not None
    u = np.hypot(0.3 * STORED, LEAK_U) * SPAN_R[:3] / SPAN_R[-1]
    assert np.diag(evidence.covariance) == pytest.approx(np.array([1e-4, 4e-4, 9e-4]) + u**2)


def test_a_capacity_left_out_makes_the_expected_share_unsure_by_so_much() -> None:
    C = np.array(made.CAPACITY_J_PER_K)
    C[2] = 0.0
    prediction = replace(leaking(()), C_J_per_K=C)
    evidence = _slow_evidence(lay_on_budget(seen(), prediction.budget), prediction)
    assert evidence is not None
    stored = np.array([0.95, 0.95, 0.5 * (20.95 + 25.95)]) / 215.95
    u = np.sqrt((0.3 * stored) ** 2 + UNKNOWN_UPSTREAM**2 + LEAK_U**2) * SPAN_R[:3] / SPAN_R[-1]
    assert np.diag(evidence.covariance) == pytest.approx(np.array([1e-4, 4e-4, 9e-4]) + u**2)


def test_a_case_without_capacity_leaves_the_share_upstream_unknown() -> None:
    C = np.array(made.CAPACITY_J_PER_K)
    C[-1] = 0.0
    prediction = replace(leaking(()), C_J_per_K=C)
    evidence = _slow_evidence(lay_on_budget(seen(), prediction.budget), prediction)
    assert evidence is not None
    assert evidence.per_K_per_W == pytest.approx(np.full(3, UNKNOWN_UPSTREAM / SPAN_R[-1]))


SHOWN = np.array([0.01, 0.02, 0.03, 1.0])


def simulated(slow_share, prediction: Prediction) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What a network is expected to show, whose shares are a function of capacities and factors."""
    network = SimpleNamespace(
        R_K_per_W=np.ones(len(made.STAGES)),
        slow_share=lambda look, C, factor: slow_share(C, factor),
    )
    path = lay_on_budget(seen(), prediction.budget)
    return _simulated(path, prediction, network, None)  # type: ignore[arg-type]


def test_a_simulated_share_grows_per_kelvin_per_watt_of_its_own_span() -> None:
    """Shares in proportion to each span's own resistance: their value over it."""
    expected, growth, _ = simulated(
        lambda C, factor: SHOWN * factor[[1, 2, 3, 5]], made.prediction()
    )
    assert expected == pytest.approx(SHOWN[:3])
    assert growth == pytest.approx(SHOWN[:3] / SPAN_R[:3])


def test_a_simulated_share_is_as_unsure_as_each_capacity_moves_it() -> None:
    """1e-4 for each J/K, 30 % of every one: all shares together."""
    _, _, covariance = simulated(lambda C, factor: SHOWN + 1e-4 * C.sum(), made.prediction())
    variance = np.sum((0.3e-4 * np.array(made.CAPACITY_J_PER_K)) ** 2)
    assert covariance == pytest.approx(np.full((3, 3), variance))


@pytest.mark.parametrize(("left_out", "u"), [([], 0.0), ([2], UNKNOWN_UPSTREAM)])
def test_a_capacity_left_out_makes_a_simulated_share_unsure_by_so_much(
    left_out: list[int], u: float
) -> None:
    """Heat stored upstream shows by R_j / R_last."""
    C = np.array(made.CAPACITY_J_PER_K)
    C[left_out] = 0.0
    _, _, covariance = simulated(lambda C, factor: SHOWN, replace(made.prediction(), C_J_per_K=C))
    assert np.sqrt(np.diag(covariance)) == pytest.approx(u * SPAN_R[:3] / SPAN_R[-1])


def test_one_span_alone_has_no_inner_share() -> None:
    spans = replace(
        made.spans(nodes=("tab", "ambient")), slow_share=SlowShare(np.ones(1), np.zeros((1, 1)))
    )
    prediction = made.prediction()
    assert _slow_evidence(lay_on_budget(spans, prediction.budget), prediction) is None


def test_two_spans_have_one_inner_share() -> None:
    spans = replace(
        made.spans(nodes=("tab", "case", "ambient")),
        slow_share=SlowShare(np.array([0.05, 1.0]), np.diag([1e-4, 0.0])),
    )
    prediction = made.prediction()
    evidence = _slow_evidence(lay_on_budget(spans, prediction.budget), prediction)
    assert evidence is not None
    assert evidence.share.tolist() == [0.05]


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[np.ndarray]:
    """Heat capacities that the record is held against; it shows a tenth more, give or take 2 %."""
    found: list[np.ndarray] = []

    def stored_heat(signals, nodes, C_J_per_K, power_W):
        found.append(C_J_per_K)
        return StoredHeat(1.1, 0.022, np.append(C_J_per_K / C_J_per_K.sum(), 0.0))

    monkeypatch.setattr(evidence, "stored_heat", stored_heat)
    return found


def capacity_evidence(prediction: Prediction):
    spans = replace(made.spans(), responses=(SimpleNamespace(signals=None),))
    return _capacity_evidence(spans, lay_on_budget(spans, prediction.budget), prediction)


def test_a_node_nobody_measured_stores_its_heat_at_the_nearest_one(asked) -> None:
    """0.05 of the junction at the tab; 5 of the bar's end at the bar, one stage away."""
    capacity_evidence(made.prediction())
    assert asked[0] == pytest.approx([0.05 + 0.9, 3.0, 20.0 + 5.0, 190.0])


def test_apparent_capacity_is_per_watt_along_the_path(asked) -> None:
    evidence = capacity_evidence(made.prediction())
    assert evidence.ln_ratio == pytest.approx(np.log(1.1 * made.SHARE))


def test_apparent_capacity_is_as_sure_as_every_part_of_it(asked) -> None:
    """30 % of each node's share of the heat, what no drawing shows, 0.022 / 1.1 of the record."""
    C = np.array(made.CAPACITY_J_PER_K)
    parts = [*(0.3 * C / C.sum()), NOT_DRAWN, 0.02]
    assert capacity_evidence(made.prediction()).u == pytest.approx(
        np.sqrt(np.sum(np.square(parts)))
    )


def test_a_stated_uncertainty_of_a_capacity_goes_before_the_usual_one(asked) -> None:
    stages = tuple(
        replace(stage, C_u_J_per_K=19.0) if stage.from_node == "case" else stage
        for stage in made.STAGES
    )
    C = np.array(made.CAPACITY_J_PER_K)
    parts = [*(0.3 * C[:-1] / C.sum()), 0.1 * C[-1] / C.sum(), NOT_DRAWN, 0.02]
    found = capacity_evidence(made.prediction(stages)).u
    assert found == pytest.approx(np.sqrt(np.sum(np.square(parts))))


def test_a_case_without_capacity_gives_no_evidence_whatever_the_others_store(asked) -> None:
    C = np.array(made.CAPACITY_J_PER_K)
    C[-1] = 0.0
    assert capacity_evidence(replace(made.prediction(), C_J_per_K=C)) is None
    assert asked == []


def test_a_capacity_left_out_inside_makes_the_evidence_less_sure(asked) -> None:
    """A fifth in place of what no drawing shows."""
    C = np.array(made.CAPACITY_J_PER_K)
    C[2] = 0.0
    parts = [*(0.3 * C / C.sum()), UNKNOWN_UPSTREAM, 0.02]
    found = capacity_evidence(replace(made.prediction(), C_J_per_K=C)).u
    assert found == pytest.approx(np.sqrt(np.sum(np.square(parts))))


def test_spans_without_a_record_give_no_evidence() -> None:
    prediction = made.prediction()
    spans = made.spans()
    assert _capacity_evidence(spans, lay_on_budget(spans, prediction.budget), prediction) is None
