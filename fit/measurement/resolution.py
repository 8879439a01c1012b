"""Which resistances a record carries, and which are figures that measure nothing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from fit.assessment.conformity import SpanVerdict
    from fit.statistics.comparison import SpanComparison

RESOLVED = 0.3  # standard uncertainty of a span that is measured, relative, at most
NEGLIGIBLE = 0.005  # of the largest span measured
NOT_RESOLVED = "not resolved"


def are_resolved(R_K_per_W: ArrayLike, u_K_per_W: ArrayLike) -> NDArray[np.bool_]:
    """Whether a record carries each resistance, or at least that it is next to nothing.

    Args:
        R_K_per_W: resistances of one record (s,); NaN where unknown [K/W].
        u_K_per_W: their standard uncertainties (s,) [K/W].

    >>> are_resolved([4.6, 0.9, 50.0], [0.1, 0.02, 50.0]).tolist()
    [True, True, False]
    """
    R, u = np.abs(np.asarray(R_K_per_W, dtype=float)), np.asarray(u_K_per_W, dtype=float)
    measured = np.isfinite(R) & np.isfinite(u) & (u <= RESOLVED * R)
    largest = float(np.max(R, initial=0.0, where=measured))
    return measured | (np.isfinite(R) & (u <= NEGLIGIBLE * largest))


def resolved_verdicts(spans: Sequence[SpanVerdict]) -> list[bool]:
    """Whether each span of a verdict was measured and is resolved."""
    nan = float("nan")
    R = [nan if span.measured_K_per_W is None else span.measured_K_per_W for span in spans]
    u = [nan if span.measured_u_K_per_W is None else span.measured_u_K_per_W for span in spans]
    return [bool(one) for one in are_resolved(R, u)]


def resolved_readings(spans: Sequence[SpanComparison]) -> NDArray[np.bool_]:
    """Whether each span (rows) is resolved in each run (columns) of a comparison."""
    R = np.array([[reading.R_K_per_W for reading in span.readings] for span in spans])
    u = np.array([[reading.u_K_per_W for reading in span.readings] for span in spans])
    return np.array([are_resolved(*one) for one in zip(R.T, u.T, strict=True)]).T
