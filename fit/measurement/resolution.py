"""Which resistances a record determines, and which figures are no measurement."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

RESOLVED = 0.3  # standard uncertainty of a span that is measured, relative, at most
NEGLIGIBLE = 0.005  # of the largest span measured
NOT_RESOLVED = "not resolved"


def are_resolved(R_K_per_W: ArrayLike, u_K_per_W: ArrayLike) -> NDArray[np.bool_]:
    """Whether a record carries each resistance, or at least that it is negligible.

    Args:
        R_K_per_W: resistances of one record (s,); NaN where unknown [K/W].
        u_K_per_W: their standard uncertainties (s,) [K/W].

    Returns:
        True (s,) where the relative uncertainty is at most `RESOLVED`, or the uncertainty at most
        `NEGLIGIBLE` of the largest resistance measured.

    >>> are_resolved([4.6, 0.9, 50.0], [0.1, 0.02, 50.0]).tolist()
    [True, True, False]
    """
    R, u = np.abs(np.asarray(R_K_per_W, dtype=float)), np.asarray(u_K_per_W, dtype=float)
    measured = np.isfinite(R) & np.isfinite(u) & (u <= RESOLVED * R)
    largest = float(np.max(R, initial=0.0, where=measured))
    return measured | (np.isfinite(R) & (u <= NEGLIGIBLE * largest))
