"""Slopes of temperatures over a window, and a whole record of them in bounded memory."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

MOST_BINS = 240


def line(points: Iterable[tuple[float, float]]) -> tuple[float, float]:
    """Least-squares slope of (t [s], value) pairs and its standard error [value/s].

    NaN values are left out; NaN for under two points, and an error of NaN for under three.
    """
    kept = [(t, value) for t, value in points if not math.isnan(value)]
    if len(kept) < 2:
        return math.nan, math.nan
    mean_t = math.fsum(t for t, _ in kept) / len(kept)
    mean_value = math.fsum(value for _, value in kept) / len(kept)
    spread = math.fsum((t - mean_t) ** 2 for t, _ in kept)
    if spread <= 0:
        return math.nan, math.nan
    found = math.fsum((t - mean_t) * (value - mean_value) for t, value in kept) / spread
    if len(kept) < 3:
        return found, math.nan
    rest = math.fsum((value - mean_value - found * (t - mean_t)) ** 2 for t, value in kept)
    return found, math.sqrt(rest / (len(kept) - 2) / spread)


def slope(points: Iterable[tuple[float, float]]) -> float:
    """Least-squares slope of (t [s], value) pairs [value/s].

    >>> round(slope([(0, 20.0), (1, 20.5), (2, math.nan), (4, 22.0)]), 12)
    0.5
    """
    return line(points)[0]


def lagged(points: Sequence[tuple[float, float]], tau_s: float) -> list[float]:
    """(t [s], value) pairs through a first-order low-pass that is at rest at the first value.

    A missing value (NaN) is taken to be as the one before it.

    >>> [round(value, 3) for value in lagged([(0, 1.0), (1, 2.0), (2, 2.0)], 1.0)]
    [1.0, 1.632, 1.865]
    """
    found: list[float] = []
    before_s = 0.0
    for t_s, value in points:
        held = found[-1] if found and not math.isnan(found[-1]) else value
        if math.isnan(value):
            found.append(held)
        else:
            found.append(held - math.expm1(-(t_s - before_s) / tau_s) * (value - held))
        before_s = t_s
    return found


@dataclass
class _Bin:
    """Scans of one stretch of time, added up."""

    number: int
    t_sum: float = 0.0
    scans: int = 0
    sums: dict[str, float] = field(default_factory=dict)
    counts: dict[str, int] = field(default_factory=dict)

    def mean(self, node: str) -> tuple[float, float]:
        count = self.counts.get(node, 0)
        return self.t_sum / self.scans, self.sums[node] / count if count else math.nan


class Course:
    """Temperatures since a moment, as means over bins that widen as the course grows.

    >>> course = Course()
    >>> for t in range(100_000):
    ...     course.add(float(t), {"tab": 20.0 + 0.001 * t})
    >>> round(course.slope_K_per_s("tab", 5_000.0)[0], 9), len(course) <= MOST_BINS
    (0.001, True)
    """

    def __init__(self, bin_s: float = 1.0) -> None:
        """
        Args:
            bin_s: width of a bin at first [s]; doubled whenever there are too many.
        """
        self._bin_s = bin_s
        self._bins: list[_Bin] = []
        self._start_s: float | None = None

    def __len__(self) -> int:
        return len(self._bins)

    def add(self, t_s: float, values: Mapping[str, float]) -> None:
        """One scan; NaN is a missing reading."""
        if self._start_s is None:
            self._start_s = t_s
        number = int((t_s - self._start_s) / self._bin_s)
        if not self._bins or self._bins[-1].number != number:
            self._bins.append(_Bin(number))
        last = self._bins[-1]
        last.t_sum += t_s
        last.scans += 1
        for node, value in values.items():
            if not math.isnan(value):
                last.sums[node] = last.sums.get(node, 0.0) + value
                last.counts[node] = last.counts.get(node, 0) + 1
        if len(self._bins) > MOST_BINS:
            self._widen()

    def points(self, node: str) -> list[tuple[float, float]]:
        """Times [s] and mean temperatures [degC] of a node, bin by bin; NaN where none was read."""
        return [one.mean(node) for one in self._bins]

    def slope_K_per_s(
        self,
        node: str,
        over_s: float,
        before_s: float = 0.0,
        minus: Sequence[float] = (),
    ) -> tuple[float, float]:
        """Slope over a window, and its standard error [K/s].

        Args:
            node: whose temperature.
            over_s: length of the window [s].
            before_s: the window ends so long before the newest scan [s].
            minus: what is taken off the temperature, bin by bin [K]; nothing when empty.
        """
        points = self.points(node)
        if not points:
            return math.nan, math.nan
        until_s = points[-1][0] - before_s
        off = minus or [0.0] * len(points)
        return line(
            (t_s, value - less)
            for (t_s, value), less in zip(points, off, strict=True)
            if until_s - over_s <= t_s <= until_s
        )

    def _widen(self) -> None:
        self._bin_s *= 2
        wide: list[_Bin] = []
        for one in self._bins:
            if not wide or wide[-1].number != one.number // 2:
                wide.append(_Bin(one.number // 2))
            into = wide[-1]
            into.t_sum += one.t_sum
            into.scans += one.scans
            for node, total in one.sums.items():
                into.sums[node] = into.sums.get(node, 0.0) + total
                into.counts[node] = into.counts.get(node, 0) + one.counts[node]
        self._bins = wide
