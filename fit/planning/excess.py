"""The smallest excess of a span over its budget that a run finds.

What is measured of a larger resistance is as much less certain, so that u is a share r of it: a
resistance R is found over the budget R_p ± u_p with 95 % if the reading that falls short of it by
z r R, z = 1.645, still is beyond chance,

    v − z √(r² v² + u_p²) = R_p,    v = R (1 − z r).

A larger span is slower, too: more of it is still to come when the heating ends, and r itself grows.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from fit.budget.model import Array
from fit.measurement.resolution import RESOLVED

SURE = 1.645  # standard uncertainties for 95 % on one side, as `check` decides
CLOSE = 0.02  # relative, of one round to the next: far below what a plan is good for. Ours
MOST_ROUNDS = 8  # two are usual; what has not come to rest by then runs away. Ours


def smallest_excess(R: Array | float, u: Array | float, u_p: Array | float) -> Array:
    """The smallest excess over a budget that 95 of 100 runs find, u being in proportion to it.

    Args:
        R: resistance as predicted [K/W].
        u: standard uncertainty of its measurement [K/W].
        u_p: standard uncertainty of the prediction [K/W].

    Returns:
        Resistance beyond R [K/W]; infinite where u is over R/z, of which nothing is found.

    >>> float(smallest_excess(1.0, 0.01, 0.0).round(3)), float(smallest_excess(1.0, 0.7, 0.0))
    (0.034, inf)
    """
    R, u, u_p = (np.asarray(value, dtype=float) for value in (R, u, u_p))
    z_r = SURE * u / np.maximum(R, np.finfo(float).tiny)
    left = 1 - np.minimum(z_r, 1.0) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        reading = (R + np.sqrt(R**2 - left * (R**2 - (SURE * u_p) ** 2))) / left
        excess = reading / (1 - z_r) - R
    return np.where(z_r < 1, excess, np.inf)


def excess_found(R: float, u_p: float, u_of: Callable[[float], float]) -> float:
    """The smallest excess found where a larger span is measured with an uncertainty of its own.

    Args:
        R: resistance as predicted [K/W].
        u_p: standard uncertainty of the prediction [K/W].
        u_of: excess [K/W] -> standard uncertainty of the measurement of that span [K/W].

    Returns:
        Resistance beyond R [K/W]; infinite where a span as large would not be resolved.

    >>> round(excess_found(1.0, 0.0, lambda excess: 0.01 * (1 + excess)), 3)
    0.034
    """
    excess = 0.0
    for _ in range(MOST_ROUNDS):
        share = u_of(excess) / (R + excess)
        if share > RESOLVED:
            break
        before, excess = excess, float(smallest_excess(R, share * R, u_p))
        if excess <= (1 + CLOSE) * before:
            return before
    return float("inf")
