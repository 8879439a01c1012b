"""The pattern that each cause leaves in the spans, by hand; made values."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fit.assessment.hypotheses import (
    OVERESTIMATED,
    SHARING,
    CapacityEvidence,
    Cause,
    Pattern,
    SlowEvidence,
    causes,
)
from tests.fit.assessment.test_diagnosis import pattern

# Before any reading: our own judgement of prototype benches.
PRIOR = {
    "poor-contact": 0.18,
    "high-resistance": 0.08,
    "sensor-placement": 0.12,
    "power-error": 0.06,
    "weak-cooling": 0.08,
    OVERESTIMATED: 0.05,
}
SPANS = np.array([3.2, 0.6, 0.7, 7.5])
RISE = np.array([12.0, 8.8, 8.2, 7.5, 0.0])  # K/W above ambient of tab ... ambient


def with_heat() -> Pattern:
    """With both witnesses: slow shares, and heat stored nine tenths in the case."""
    slow = SlowEvidence(np.zeros(3), np.zeros(3), np.array([0.001, 0.002, 0.003]), np.eye(3))
    share = np.array([0.02, 0.03, 0.05, 0.9, 0.0])
    return replace(pattern(), slow=slow, capacity=CapacityEvidence(0.0, 0.04, share))


def cause(kind: str, where: str) -> Cause:
    (found,) = (
        one
        for one in causes(with_heat())
        if (one.kind, one.where) == (kind, where) and not one.other
    )
    return found


def test_every_place_that_can_fail_is_a_cause() -> None:
    alone = (one for one in causes(pattern()) if not one.other and one.kind != OVERESTIMATED)
    assert {(one.kind, one.where) for one in alone} == {
        ("high-resistance", "via array"),
        ("poor-contact", "pad"),
        ("high-resistance", "bar"),
        ("poor-contact", "bar to case"),
        ("weak-cooling", "case to air"),
        *(("sensor-placement", node) for node in ("tab", "board_back", "bar", "case", "ambient")),
        ("power-error", "power"),
    }


def test_priors_of_a_kind_are_shared_among_its_places() -> None:
    found = causes(pattern())
    for kind, prior in PRIOR.items():
        if kind == SHARING:  # of several sources only
            continue
        assert sum(one.prior for one in found if one.kind == kind) == pytest.approx(prior)


def test_two_contacts_share_their_prior_alike() -> None:
    assert cause("poor-contact", "pad").prior == pytest.approx(0.18 / 2)


def test_a_via_array_is_five_times_as_likely_the_one_too_high_as_a_bar() -> None:
    """Odds 1 and 0.2 of 8 %."""
    assert cause("high-resistance", "via array").prior == pytest.approx(0.08 * 1.0 / 1.2)
    assert cause("high-resistance", "bar").prior == pytest.approx(0.08 * 0.2 / 1.2)


def test_the_ambient_sensor_and_each_swap_are_a_tenth_as_likely_as_another() -> None:
    """Four sensors, one of ambient at a tenth, ten pairs of five nodes at a tenth: 5.1."""
    assert cause("sensor-placement", "tab").prior == pytest.approx(0.12 / 5.1)
    assert cause("sensor-placement", "ambient").prior == pytest.approx(0.12 * 0.1 / 5.1)
    swaps = [one for one in causes(pattern()) if one.other]
    assert [one.prior for one in swaps] == pytest.approx([0.12 * 0.1 / 5.1] * 10)


def test_a_raised_resistance_goes_from_a_tenth_to_five_times_more() -> None:
    raised = cause("poor-contact", "pad")
    assert raised.size[[0, -1]] == pytest.approx([0.1, 5.0])
    assert np.diff(np.log(raised.size)) == pytest.approx(np.log(50) / 60)
    assert raised.weight == pytest.approx(1 / 61)
    assert raised.free == {1}


def test_a_raised_resistance_raises_its_own_span_by_its_own_resistance() -> None:
    """The joint is 0.3 of the 0.7 K/W from bar to case; the slow share grows with it."""
    raised = cause("poor-contact", "bar to case")
    expected = np.zeros((61, 4))
    expected[:, 2] = 0.3 * raised.size
    assert raised.shift_K_per_W == pytest.approx(expected)
    assert raised.slow_shift[:, 2] == pytest.approx(0.3 * raised.size * 0.003)
    assert not raised.slow_shift[:, :2].any()
    assert (raised.scale == 1).all()
    assert (raised.capacity_scale == 1).all()


def test_weak_cooling_leaves_no_trace_in_the_inner_slow_shares() -> None:
    raised = cause("weak-cooling", "case to air")
    assert raised.shift_K_per_W[:, 3] == pytest.approx(7.5 * raised.size)
    assert not raised.slow_shift.any()


def test_a_bead_misses_up_to_nearly_all_of_its_rise_and_nine_in_ten_read_low() -> None:
    low = cause("sensor-placement", "bar")
    assert low.size[[0, 60]] == pytest.approx([0.02, 0.98])
    assert low.size[[61, -1]] == pytest.approx([-0.02, -0.6])
    assert low.weight[:61].sum() == pytest.approx(0.9)
    assert low.weight[61:].sum() == pytest.approx(0.1)


def test_a_bead_that_reads_low_gives_the_span_above_what_it_takes_below() -> None:
    """It reads 8.2 K/W of a rise of 8.2/(1 - f): f/(1 - f) of what it reads is missed."""
    low = cause("sensor-placement", "bar")
    missed = 8.2 * low.size / (1 - low.size)
    assert low.shift_K_per_W[:, 1] == pytest.approx(missed)
    assert low.shift_K_per_W[:, 2] == pytest.approx(-missed)
    assert not low.shift_K_per_W[:, [0, 3]].any()


def test_a_bead_that_reads_low_shows_its_fraction_of_the_cases_slow_rise() -> None:
    low = cause("sensor-placement", "bar")
    assert low.slow_shift[:, 1] == pytest.approx(low.size)
    assert low.slow_shift[:, 2] == pytest.approx(-low.size)


def test_a_case_that_reads_low_makes_the_node_above_look_high_against_it() -> None:
    """All slow shares are of the case's own reading, 1 - f of its rise."""
    low = cause("sensor-placement", "case")
    assert low.slow_shift[:, 2] == pytest.approx(low.size / (1 - low.size))


def test_an_ambient_bead_errs_towards_its_neighbour() -> None:
    """It reads f of the case's 7.5 K/W too much, so that the last span loses it."""
    warm = cause("sensor-placement", "ambient")
    assert warm.shift_K_per_W[:, 3] == pytest.approx(-7.5 * warm.size)
    assert not warm.slow_shift.any()


def test_a_node_that_reads_low_seems_to_store_more() -> None:
    """At nine tenths of the heat and f missed: 1 / (0.1 + 0.9 (1 - f))."""
    low = cause("sensor-placement", "case")
    assert low.capacity_scale == pytest.approx(1 / (1 - 0.9 * low.size))


def test_power_that_reads_high_lowers_every_span_and_raises_the_capacity() -> None:
    power = cause("power-error", "power")
    assert power.size[[0, 60]] == pytest.approx([0.02, 0.4])
    assert power.size[61:] == pytest.approx(-power.size[:61])
    assert power.weight == pytest.approx(0.5 / 61)
    assert power.scale == pytest.approx(1 / (1 + power.size))
    assert power.capacity_scale == pytest.approx(1 + power.size)
    assert not power.shift_K_per_W.any()


@pytest.mark.parametrize(
    ("kind", "odds"), [("spreading", 0.5), ("stated", 0.3), ("bar", 0.2), ("pad", 0.5)]
)
def test_odds_that_a_stage_is_the_one_too_high_go_by_its_kind(kind: str, odds: float) -> None:
    """Beside a via array, 1, and a bar, 0.2; a pad that is no pressed contact has a half."""
    made = pattern()
    plain = replace(made.stages[1][0], kind=kind, contact=False)
    found = causes(replace(made, stages=(made.stages[0], (plain,), *made.stages[2:])))
    (prior,) = (one.prior for one in found if one.where == "pad" and one.kind == "high-resistance")
    assert prior == pytest.approx(0.08 * odds / (1.0 + odds + 0.2))


def test_a_span_is_called_by_its_only_stage_or_else_by_its_ends() -> None:
    made = pattern()
    lumped = replace(made, stages=((made.stages[0][0], made.stages[1][0]), *made.stages[1:]))
    assert [made.span_name(0), made.span_name(1)] == ["via array", "pad"]
    assert lumped.span_name(0) == "tab to board_back"


def test_stages_that_cannot_be_told_apart_are_one_cause_with_their_odds_together() -> None:
    """A via array and a bar in one span, 3.2 and 0.4 K/W: odds 1.2, beside another bar's 0.2."""
    made = pattern()
    bar = made.stages[2][0]
    whole = replace(
        made,
        stages=((made.stages[0][0], replace(bar, name="strip")), *made.stages[1:]),
        stage_K_per_W=((3.2, 0.4), *made.stage_K_per_W[1:]),
    )
    (both,) = (
        one
        for one in causes(whole)
        if (one.kind, one.where) == ("high-resistance", "tab to board_back")
    )
    assert both.prior == pytest.approx(0.08 * 1.2 / 1.4)
    assert both.shift_K_per_W[:, 0] == pytest.approx(3.6 * both.size)


def test_two_thermocouples_put_back_leave_the_spans_of_the_budget() -> None:
    """Rises of 12, 8.8, 8.2 and 7.5 K/W read with board_back and bar at each other's node.

    Spans 12 - 8.2, 8.2 - 8.8, 8.8 - 7.5 and 7.5: the shift takes off what the swap has made.
    """
    swapped = np.array([3.8, -0.6, 1.3, 7.5])
    (found,) = (
        one
        for one in causes(replace(with_heat(), measured_K_per_W=swapped))
        if (one.where, one.other) == ("board_back", "bar")
    )
    assert swapped - found.shift_K_per_W[0] == pytest.approx(SPANS)
    assert found.slow_shift[0] == pytest.approx([0.0, 0.0, 0.0])


def test_slow_shares_of_two_swapped_thermocouples_are_put_back_too() -> None:
    """True shares 0.04, 0.03 and 0.02 above the case; read 0.07, -0.03 and 0.05 where swapped."""
    made = with_heat()
    assert made.slow is not None
    seen = replace(made, slow=replace(made.slow, share=np.array([0.07, -0.03, 0.05])))
    (found,) = (one for one in causes(seen) if (one.where, one.other) == ("board_back", "bar"))
    assert np.array([0.07, -0.03, 0.05]) - found.slow_shift[0] == pytest.approx([0.04, 0.03, 0.02])


def test_a_budget_may_be_too_high_by_a_tenth_to_two_thirds_of_a_span() -> None:
    better = cause(OVERESTIMATED, "pad")
    assert better.size[[0, -1]] == pytest.approx([-0.1, -0.67])
    assert better.shift_K_per_W[:, 1] == pytest.approx(0.6 * better.size)
    assert better.slow_shift[:, 1] == pytest.approx(0.6 * better.size * 0.002)
    assert better.prior == pytest.approx(0.05 / 4)
    assert better.free == {1}
