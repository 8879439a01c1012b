"""What ends each phase of the heat run."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.control.sequence import Sequence, off_the_others
from bench.control.slopes import Course, slope
from bench.rig.schema import Sequence as Settings
from bench.status import Estimate, Scan, SpanEstimate
from fit.records.events import Phase

Temperatures = Callable[[float], dict[str, float]]


def settings(**keys: Any) -> Settings:
    given: dict[str, Any] = {
        "interval_s": 1.0, "soak_s": 60.0, "heat_s": 7200.0, "heat_until": "time", "cool_s": 30.0
    }  # fmt: skip
    return Settings(**{**given, **keys})


def steady(t_s: float) -> dict[str, float]:
    return {"tab": 23.1, "case": 23.0, "ambient": 22.9}


def rising(tau_s: float, rise_K: float = 40.0, noise_K: float = 0.0) -> Temperatures:
    """A first-order rise that begins at 60 s."""
    random = np.random.default_rng(1)

    def at(t_s: float) -> dict[str, float]:
        share = -math.expm1(-max(0.0, t_s - 60.0) / tau_s)
        noise = noise_K * random.standard_normal(2)
        return {
            "tab": 23.0 + rise_K * share + float(noise[0]),
            "case": 23.0 + 0.6 * rise_K * share + float(noise[1]),
            "ambient": 23.0,
        }

    return at


def walk(
    sequence: Sequence, temperatures: Temperatures, until_s: float, estimate: Any = None
) -> list[tuple[float, str]]:
    """Step it, switching at once whenever it wants to; when each phase began."""
    seen: list[tuple[float, str]] = []
    on = False
    for t in range(int(until_s) + 1):
        sequence.observe(Scan(float(t), temperatures(float(t))), estimate(t) if estimate else None)
        if sequence.wants_power is not on:
            on = sequence.wants_power
            sequence.power_switched(on, float(t))
        if not seen or seen[-1][1] != sequence.phase:
            seen.append((float(t), sequence.phase))
        if sequence.finished or sequence.trip:
            break
    return seen


def test_phases_by_time() -> None:
    phases = walk(Sequence(settings(heat_s=100.0)), steady, 1000)
    assert phases == [
        (0, Phase.ISOTHERMAL),
        (10, Phase.SOAK),
        (60, Phase.HEAT),
        (160, Phase.COOL),
        (190, Phase.FINISHED),
    ]


def test_without_soak_and_cool_it_only_heats() -> None:
    phases = walk(Sequence(settings(heat_s=100.0, soak_s=0.0, cool_s=0.0)), steady, 1000)
    assert phases == [(0, Phase.HEAT), (100, Phase.FINISHED)]


def test_heating_counts_from_the_confirmed_switch() -> None:
    sequence = Sequence(settings(heat_s=100.0))
    for t in range(90):
        sequence.observe(Scan(float(t), steady(t)))
    assert (sequence.phase, sequence.wants_power) == (Phase.SOAK, True)
    sequence.power_switched(True, 90.0)
    sequence.observe(Scan(189.0, steady(0)))
    assert sequence.wants_power
    sequence.observe(Scan(190.0, steady(0)))
    assert not sequence.wants_power


@pytest.mark.parametrize("tau_s", [60.0, 300.0, 1500.0])
@pytest.mark.parametrize("noise_K", [0.0, 0.05])
def test_settled_is_called_with_one_percent_left_give_or_take(tau_s: float, noise_K: float) -> None:
    sequence = Sequence(settings(heat_until="settled", heat_s=1e5), "ambient")
    phases = walk(sequence, rising(tau_s, noise_K=noise_K), 2e4)
    ended = next(t for t, phase in phases if phase == Phase.COOL)
    assert 0.004 < math.exp(-(ended - 60.0) / tau_s) < 0.02


def test_a_rise_that_goes_on_is_not_settled() -> None:
    sequence = Sequence(settings(heat_until="settled", heat_s=7200.0), "ambient")
    phases = walk(sequence, rising(20_000.0), 8000)
    assert next(t for t, phase in phases if phase == Phase.COOL) == 7260


def test_a_fast_rise_with_a_slow_case_behind_it_is_not_settled() -> None:
    fast, slow = rising(5.0, 30.0), rising(2000.0, 20.0)

    def both(t_s: float) -> dict[str, float]:
        return {**slow(t_s), "tab": fast(t_s)["tab"] + slow(t_s)["tab"] - 23.0}

    sequence = Sequence(settings(heat_until="settled", heat_s=1e5), "ambient")
    phases = walk(sequence, both, 2e4)
    assert next(t for t, phase in phases if phase == Phase.COOL) > 3 * 2000


def test_a_drifting_room_does_not_hold_up_the_end() -> None:
    def drifting(t_s: float) -> dict[str, float]:
        return {node: value + t_s / 1800 for node, value in rising(100.0)(t_s).items()}

    sequence = Sequence(settings(heat_until="settled", heat_s=1e5), "ambient")
    phases = walk(sequence, drifting, 5000)
    assert next(t for t, phase in phases if phase == Phase.COOL) < 1000


@pytest.mark.parametrize("phase", [0.0, 1.6, 3.1, 4.7])
def test_a_swinging_room_neither_hastens_nor_holds_up_the_end(phase: float) -> None:
    # The room swings by 1 K in 5000 s; the case follows it through its own time constant.
    tau_s, case = 730.0, [23.0 + math.sin(phase)]

    def swinging(t_s: float) -> dict[str, float]:
        room = 23.0 + math.sin(2 * math.pi * t_s / 5000.0 + phase)
        heated = 24.0 if t_s >= 60 else 0.0
        case[0] += (1 - math.exp(-1 / tau_s)) * (room + heated - case[0])
        return {"tab": case[0] + heated / 2, "case": case[0], "ambient": room}

    sequence = Sequence(settings(heat_until="settled", heat_s=1e5), "ambient")
    phases = walk(sequence, swinging, 2e4)
    ended = next(t for t, phase in phases if phase == Phase.COOL)
    assert 4.6 < (ended - 60.0) / tau_s < 7.0


def decided(t_s: float, decision: str) -> Estimate:
    return Estimate(t_s, spans=(SpanEstimate("tab", "case", 1.0, 0.1, 2.0, decision),))


def test_decided_needs_the_decision_several_times_in_a_row() -> None:
    answers = ["undecided", "conforming", "undecided", "conforming", "conforming", "conforming"]

    def estimate(t: int) -> Estimate | None:
        number = (t - 70) // 10
        return decided(70 + 10 * number, answers[min(number, 5)]) if t >= 70 else None

    phases = walk(Sequence(settings(heat_until="decided")), steady, 1000, estimate)
    assert next(t for t, phase in phases if phase == Phase.COOL) == 120


def test_nothing_is_decided_without_spans() -> None:
    phases = walk(Sequence(settings(heat_until="decided", heat_s=50.0)), steady, 1000, Estimate)
    assert next(t for t, phase in phases if phase == Phase.COOL) == 110


def test_a_channel_off_the_others_is_named_before_the_soak() -> None:
    sequence = Sequence(settings(isothermal_K=3.0))
    phases = walk(sequence, lambda t: {**steady(t), "case": 27.0, "tab": 23.2}, 100)
    assert phases[-1][0] == 10
    assert sequence.trip is not None
    assert sequence.trip.node == "case"


@given(st.floats(-50, 50), st.floats(0.1, 5.0))
def test_only_a_spread_over_the_limit_is_named(base: float, most_K: float) -> None:
    inside = {"a": base, "b": base + 0.9 * most_K, "c": base}
    outside = {"a": base, "b": base + 1.1 * most_K, "c": base}
    assert off_the_others(inside, most_K) is None
    assert off_the_others(outside, most_K).node == "b"  # type: ignore[union-attr]


def test_time_left() -> None:
    sequence = Sequence(settings(heat_s=100.0))
    assert sequence.left_s(20.0) == 40.0
    walk(sequence, steady, 61)
    assert sequence.left_s(61.0) == 99.0


def test_time_left_while_cooling_counts_down_to_nothing() -> None:
    """Heated from 60 s to 160 s, then 30 s of cooling: until 190 s."""
    sequence = Sequence(settings(heat_s=100.0))
    walk(sequence, steady, 161)
    assert sequence.phase == Phase.COOL
    assert [sequence.left_s(t) for t in (160.0, 165.0, 189.0, 190.0, 200.0)] == [30, 25, 1, 0, 0]


def test_time_left_of_a_soak_that_began_later_counts_from_its_start() -> None:
    sequence = Sequence(settings(), started_s=100.0)
    assert [sequence.left_s(t) for t in (100.0, 130.0, 161.0)] == [60, 30, 0]


def test_a_soak_that_began_later_lasts_as_long() -> None:
    """60 s from 100 s on; power is wanted from then on and not before."""
    sequence = Sequence(settings(soak_s=60.0), started_s=100.0)
    wanted = []
    for t in range(100, 163):
        sequence.observe(Scan(float(t), steady(t)))
        wanted.append(sequence.wants_power)
    assert wanted == [False] * 60 + [True] * 3


def test_the_isothermal_check_is_the_first_ten_seconds_of_a_soak_begun_later() -> None:
    sequence = Sequence(settings(isothermal_K=3.0), started_s=100.0)
    phases = []
    for t in range(100, 112):
        sequence.observe(Scan(float(t), {**steady(t), "case": 30.0}))
        phases.append(sequence.phase)
    assert phases == [Phase.ISOTHERMAL] * 10 + [Phase.SOAK] * 2
    assert sequence.trip is not None


def test_time_left_until_settled_is_not_known_at_first() -> None:
    sequence = Sequence(settings(heat_until="settled"), "ambient")
    walk(sequence, rising(300.0), 61)
    assert sequence.left_s(61.0) is None


def test_two_channels_are_held_against_each_other() -> None:
    """23.0 and 26.5 degC, 3.5 K apart: over 3 K the first of both is named, over 4 K none."""
    pair = {"tab": 23.0, "case": 26.5}
    assert off_the_others(pair, 4.0) is None
    trip = off_the_others(pair, 3.0)
    assert trip is not None
    assert (trip.rule, trip.node) == ("isothermal", "tab")
    assert "tab reads 23.0 degC, 3.5 K below the others" in trip.text


@pytest.mark.parametrize(("case_degC", "way"), [(23.8, "above"), (22.2, "below")])
def test_a_channel_is_told_by_how_much_it_is_off_and_which_way(case_degC: float, way: str) -> None:
    trip = off_the_others({"tab": 23.0, "case": case_degC, "ambient": 23.0}, 0.5)
    assert trip is not None
    assert f"case reads {case_degC:.1f} degC, 0.8 K {way} the others" in trip.text
    assert "(sequence.isothermal_K = 0.5)" in trip.text


def test_exactly_the_limit_apart_is_allowed() -> None:
    assert off_the_others({"tab": 23.0, "case": 26.0}, 3.0) is None


def test_one_channel_has_nothing_to_be_held_against() -> None:
    assert off_the_others({"tab": 80.0}, 3.0) is None


def test_time_left_until_settled_is_near_the_truth() -> None:
    sequence = Sequence(settings(heat_until="settled", heat_s=1e5), "ambient")
    walk(sequence, rising(300.0), 60 + 700, lambda t: Estimate(float(t), (300.0,)))
    left_s = sequence.left_s(760.0)
    assert left_s == pytest.approx(300 * math.log(100) - 700, rel=0.15)


@pytest.mark.parametrize(
    ("heat", "phase", "power"),
    [
        ((None, None), Phase.SOAK, False),
        ((60.0, None), Phase.SOAK, True),
        ((60.0, 400.0), Phase.COOL, False),
    ],
)
def test_a_run_goes_on_where_it_died(
    heat: tuple[float | None, float | None], phase: str, power: bool
) -> None:
    sequence = Sequence.continued(settings(), "ambient", *heat)
    sequence.observe(Scan(59.0, steady(0)))
    assert (sequence.phase, sequence.wants_power) == (phase, power)


def test_resumed_heating_counts_from_the_first_switch_on() -> None:
    sequence = Sequence.continued(settings(heat_s=100.0), None, 60.0, None)
    sequence.observe(Scan(140.0, steady(0)))
    assert sequence.wants_power
    sequence.power_switched(True, 150.0)
    sequence.observe(Scan(161.0, steady(0)))
    assert not sequence.wants_power


@pytest.mark.parametrize(("interrupted_s", "cooled_s"), [(90.0, 120.0), (None, 230.0)])
def test_resumed_after_its_heating_time_a_run_cools_without_power(
    interrupted_s: float | None, cooled_s: float
) -> None:
    sequence = Sequence.continued(
        settings(heat_s=100.0, cool_s=30.0), None, 60.0, None, interrupted_s
    )
    for t_s in np.arange(200.0, 300.0):
        sequence.observe(Scan(t_s, steady(0)))
        assert not sequence.wants_power
        assert sequence.finished == (t_s >= max(cooled_s, 201.0))
    assert "had passed" in sequence.why_heat_ended


@given(st.lists(st.floats(-1e3, 1e3), min_size=3, max_size=30))
def test_slope_agrees_with_numpy(values: list[float]) -> None:
    expected = np.polyfit(np.arange(len(values)), values, 1)[0]
    assert slope(list(enumerate(values))) == pytest.approx(expected, abs=1e-6)


def test_a_course_stays_small_and_keeps_its_slope_through_gaps() -> None:
    course = Course(0.1)
    for i in range(50_000):
        course.add(0.1 * i, {"tab": math.nan if i % 7 == 0 else 20 + 0.002 * 0.1 * i})
    assert len(course) <= 240
    assert course.slope_K_per_s("tab", 500.0)[0] == pytest.approx(0.002, rel=1e-3)


def heated_for(elapsed_s: int, temperatures: Temperatures) -> Sequence:
    """Power on from 60 s, and so long since."""
    sequence = Sequence(settings(heat_until="settled", heat_s=1e5), "ambient")
    walk(sequence, temperatures, 60 + elapsed_s)
    return sequence


def test_a_slope_that_does_not_fall_off_tells_its_own_time_constant() -> None:
    """Half the heating ago the slope of a 1500 s rise was exp(500/1500) of what it is.

    40 K x exp(-950 s/1500 s)/1500 s over the last 100 s of 1000 s; times 1500 s, over the rise.
    """
    slow = rising(1500.0)
    found = heated_for(1000, slow)._to_come("tab", Scan(1060.0, slow(1060.0)), 1000.0, 217.0, [])
    assert found is not None
    left, tau_s = found
    assert tau_s == pytest.approx(1500.0, rel=0.01)
    assert left == pytest.approx(math.exp(-950 / 1500) / -math.expm1(-1000 / 1500), rel=0.01)


def test_a_slope_that_falls_off_leaves_the_time_constant_that_is_known() -> None:
    fast = rising(150.0)
    found = heated_for(1000, fast)._to_come("tab", Scan(1060.0, fast(1060.0)), 1000.0, 217.0, [])
    assert found is not None
    assert found[1] == 217.0


def test_a_slope_that_grows_is_as_slow_as_a_drift() -> None:
    """At most ten times the time heated."""

    def growing(t_s: float) -> dict[str, float]:
        return {"tab": 23.0 + 1e-5 * max(0.0, t_s - 60) ** 2, "case": 23.0, "ambient": 23.0}

    sequence = heated_for(1000, growing)
    found = sequence._to_come("tab", Scan(1060.0, growing(1060.0)), 1000.0, 217.0, [])
    assert found is not None
    assert found[1] == pytest.approx(10_000.0)


@pytest.mark.parametrize("node", ["case", "ambient"])
def test_a_node_that_does_not_warm_and_the_reference_are_not_waited_for(node: str) -> None:
    def at(t_s: float) -> dict[str, float]:
        return {"tab": rising(300.0)(t_s)["tab"], "case": 23.4, "ambient": 23.0}

    assert heated_for(200, at)._to_come(node, Scan(260.0, at(260.0)), 200.0, 43.0, []) is None


def test_the_rooms_drift_is_no_rise_of_the_prototype() -> None:
    """From 23.0 to 28.0 degC while the room goes from 23.0 to 24.5: 3.5 K."""
    sequence = Sequence(settings(), "ambient")
    sequence._start_degC = {"tab": 23.0, "ambient": 23.0}
    assert sequence._rise("tab", Scan(0.0, {"tab": 28.0, "ambient": 24.5})) == pytest.approx(3.5)
    assert sequence._rise("tab", Scan(0.0, {"tab": 28.0, "ambient": math.nan})) == 5.0


def test_the_same_estimate_decides_once() -> None:
    """Three of them do, whatever their number of scans; of one that stays the same none."""
    sequence = Sequence(settings(heat_until="decided"))
    same = [sequence._is_decided(decided(100.0, "conforming")) for _ in range(5)]
    assert same == [False] * 5
    later = [sequence._is_decided(decided(t, "conforming")) for t in (101.0, 102.0)]
    assert later == [False, True]


def test_a_node_off_the_path_neither_starts_as_warm_nor_is_waited_for() -> None:
    tab = rising(tau_s=50.0)

    def temperatures(t_s: float) -> dict[str, float]:
        return {**tab(t_s), "battery": 35.0 + 0.01 * t_s}

    kept = settings(heat_s=2000.0, heat_until="settled")
    alone = walk(Sequence(kept, "ambient"), tab, 3000)
    phases = walk(Sequence(kept, "ambient", off_path=["battery"]), temperatures, 3000)
    assert phases == alone
    assert phases[-1][0] < 1000
