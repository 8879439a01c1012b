"""How many units conform, and the share of all units that may: the yield."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from scipy.stats import binomtest

CONFORMING, NON_CONFORMING = "conforming", "non-conforming"
LEVEL = 0.95  # as every interval here


@dataclass(frozen=True)
class Yield:
    """Units counted by their decision, with a 95 % interval of the share that conforms."""

    conforming: int
    non_conforming: int
    undecided: int
    share_low: float  # as if no undecided unit conformed
    share_high: float  # as if all did

    @property
    def units(self) -> int:
        """All of them."""
        return self.conforming + self.non_conforming + self.undecided


def count_yield(decisions: Sequence[str]) -> Yield:
    """Count decisions; the interval is exact (Clopper & Pearson 1934, Biometrika 26:404).

    Args:
        decisions: one a unit; at least one.

    Returns:
        The yield. An undecided unit widens the interval to both sides.

    >>> found = count_yield(["conforming"] * 59)
    >>> round(found.share_low, 4) == round(0.025 ** (1 / 59), 4), found.share_high
    (True, 1.0)
    """
    units = len(decisions)
    good = sum(decision == CONFORMING for decision in decisions)
    bad = sum(decision == NON_CONFORMING for decision in decisions)
    return Yield(
        conforming=good,
        non_conforming=bad,
        undecided=units - good - bad,
        share_low=float(binomtest(good, units).proportion_ci(LEVEL, "exact").low),
        share_high=float(binomtest(units - bad, units).proportion_ci(LEVEL, "exact").high),
    )
