"""Whether the heating has settled: what is still to come, by hand, of slopes that are stated."""

from __future__ import annotations

import math
from typing import Any

import pytest

from bench.control.sequence import Sequence
from bench.status import Estimate, Scan
from fit.records.events import Phase
from tests.bench.control.test_sequence import rising, settings, walk


def test_a_rise_that_is_over_at_once_is_settled_at_the_third_judgement() -> None:
    """Judged at 100 s of heating, and again when a hundredth of it has passed: at 102 s and 104 s.

    Scans are a second apart: at 101 s 1.01 s have not passed, at 103 s 1.03 s have not.
    """
    sequence = Sequence(settings(heat_until="settled"), "ambient")
    phases = walk(sequence, rising(0.5), 1000)
    assert (164.0, Phase.COOL) in phases
    assert sequence.why_heat_ended == "settled by its slopes after 104 s"


class MadeCourse:
    """Slopes as stated: of the last window, and of the one that ended half the heating ago."""

    def __init__(self, now: tuple[float, float], before: float) -> None:
        self.now, self.before = now, before
        self.asked: list[tuple[float, float]] = []

    def slope_K_per_s(
        self, node: str, over_s: float, before_s: float = 0.0, minus: Any = ()
    ) -> tuple[float, float]:
        self.asked.append((over_s, before_s))
        return (self.before, 0.0) if before_s else self.now


def to_come(
    now: float, u: float, before: float, tau_s: float, rise_K: float = 20.0
) -> tuple[tuple[float, float] | None, list[tuple[float, float]]]:
    """What is still to come after 1000 s of heating, and the windows that were asked for."""
    sequence = Sequence(settings(heat_until="settled"), "ambient")
    sequence._start_degC = {"tab": 23.0, "ambient": 23.0}
    course: Any = MadeCourse((now, u), before)
    sequence._course = course
    newest = Scan(1060.0, {"tab": 23.0 + rise_K, "ambient": 23.0})
    return sequence._to_come("tab", newest, 1000.0, tau_s, []), course.asked


def test_what_is_still_to_come_is_slope_times_time_constant_over_the_rise() -> None:
    """1 mK/s x 200 s of 20 K is 1 %, a slope that falls off as fast as 200 s say.

    Over the last tenth of 1000 s, and over as much half of the heating ago.
    """
    found, asked = to_come(1e-3, 0.0, 1e-3 * math.exp(500 / 200), 200.0)
    assert found == pytest.approx((0.01, 200.0))
    assert asked == [(100.0, 0.0), (100.0, 500.0)]


def test_a_falling_slope_counts_as_much_as_a_rising_one() -> None:
    found, _ = to_come(-1e-3, 1.0, -2e-3, 200.0)
    assert found == pytest.approx((0.01, 200.0))


@pytest.mark.parametrize(("u", "tau_s"), [(0.34e-3, 200.0), (0.33e-3, 1000.0)])
def test_a_slope_tells_a_time_constant_where_it_is_three_times_its_error(
    u: float, tau_s: float
) -> None:
    """Of 1 mK/s, sqrt(e) times that half the heating ago: 500 s / ln sqrt(e) = 1000 s."""
    found, _ = to_come(1e-3, u, 1e-3 * math.exp(0.5), 200.0)
    assert found is not None
    assert found[1] == pytest.approx(tau_s)


@pytest.mark.parametrize(
    ("before", "tau_s"),
    [
        (math.exp(500 / 9_000), 9_000.0),
        (math.exp(500 / 11_000), 10_000.0),
        (1.0, 10_000.0),
        (0.5, 10_000.0),
        (math.nan, 200.0),
    ],
)
def test_nothing_is_taken_as_slower_than_ten_times_the_heating(before: float, tau_s: float) -> None:
    found, _ = to_come(1e-3, 0.0, 1e-3 * before, 200.0)
    assert found is not None
    assert found[1] == pytest.approx(tau_s)


def test_without_a_slope_all_of_it_may_be_to_come() -> None:
    found, _ = to_come(math.nan, math.nan, math.nan, 200.0)
    assert found is not None
    assert found[0] == math.inf


@pytest.mark.parametrize(("rise_K", "waited_for"), [(0.49, False), (0.5, True)])
def test_half_a_kelvin_of_rise_is_waited_for(rise_K: float, waited_for: bool) -> None:
    assert (to_come(1e-3, 0.0, 1e-3, 200.0, rise_K)[0] is not None) is waited_for


def judged(share: float, tau_s: float = 300.0, heat_s: float = 7200.0) -> Sequence:
    """Heated for 1000 s and judged once: so much is still to come, by such a time constant."""
    sequence = Sequence(settings(heat_until="settled", heat_s=heat_s), "ambient")
    sequence.phase, sequence.heat_started_s = Phase.HEAT, 60.0
    sequence._to_come = lambda *_: (share, tau_s)  # type: ignore[method-assign]
    sequence._is_settled(Scan(1060.0, {"tab": 43.0}), 1000.0, None)
    return sequence


def test_time_left_until_settled_is_what_brings_the_rest_down_to_one_percent() -> None:
    """From 10 % at 300 s: 300 ln 10 = 690.78 s; and never past the longest heating."""
    assert judged(0.1).left_s(1060.0) == pytest.approx(690.776, abs=1e-3)
    assert judged(0.1, heat_s=1200.0).left_s(1060.0) == pytest.approx(200.0)


@pytest.mark.parametrize("share", [0.01, 0.005, math.inf])
def test_no_time_is_told_for_what_is_settled_or_not_known(share: float) -> None:
    assert judged(share).left_s(1060.0) is None


@pytest.mark.parametrize(("share", "settled"), [(0.01, 1), (0.0101, 0)])
def test_one_percent_still_to_come_is_settled(share: float, settled: int) -> None:
    assert judged(share)._settled == settled


@pytest.mark.parametrize(
    ("known_s", "tau_s"), [((), 1000 / 4.6), ((500.0, 30.0), 500.0), ((3000.0,), 1000.0)]
)
def test_the_time_constant_is_the_slowest_fitted_within_what_was_heated(
    known_s: tuple[float, ...], tau_s: float
) -> None:
    """Not over the 1000 s heated; not under what leaves 1 % by now, 1000 s / 4.6."""
    taken: list[float] = []
    sequence = Sequence(settings(heat_until="settled"), "ambient")
    sequence._to_come = lambda *given: taken.append(given[3])  # type: ignore[method-assign, func-returns-value]
    sequence._is_settled(Scan(1060.0, {"tab": 43.0}), 1000.0, Estimate(0.0, known_s))
    assert taken == [pytest.approx(tau_s)]
