"""A series freed of its noise before it is put into a model as an input.

A model driven by a noisy reading is drawn towards whatever passes the noise on least: resistances
and heat capacities beside the reference then come out too large (errors in variables; Fuller,
*Measurement Error Models*, 1987, ch. 1), by more than their uncertainty.
"""

from __future__ import annotations

import numpy as np

from fit.records.run import Array

# λ in units of a cell's weight: from nothing smoothed to a straight line. Wider changes nothing.
LAMBDA = np.geomspace(1e-3, 1e9, 61)
# Cells of a piece, and those in which one piece passes into the next: the time for a decomposition
# grows with the third power, and nothing is smoothed over more than some tens of cells. A record of
# one step has some 300 cells, one of many steps thousands. Ours.
BLOCK, OVERLAP = 500, 100


def smoothed(values: Array, sd: Array) -> tuple[Array, float]:
    """A series without its white noise: least squares with a penalty on second differences.

    Minimises Σ ((y − z)/sd)² + λ Σ (Δ² z)² (Whittaker 1923; Eilers, Anal. Chem. 75, 2003), in the
    order of the cells, narrow after a power step and wide later, so that what is quick may bend.
    λ is the one of least expected error at the noise as known (Mallows's C_p, Technometrics 15,
    1973).

    Args:
        values: (n,) of finite values.
        sd: (n,) standard deviations of their noise, same unit, above zero.

    Returns:
        The smoothed values (n,), and the share of the noise's variance that is left in them.

    >>> values, left = smoothed(np.array([0.0, 1.1, 1.9, 3.1, 3.9]), np.full(5, 0.1))
    >>> np.round(values, 1).tolist(), round(left, 1)
    ([0.0, 1.0, 2.0, 3.0, 4.0], 0.4)
    """
    n, start = len(values), values[:1]  # what does not change stays so, to the last digit
    if n < 4:
        return values, 1.0
    total, fades, left = np.zeros(n), np.zeros(n), list[float]()
    for first in range(0, max(n - OVERLAP, 1), BLOCK - OVERLAP):
        block = slice(first, first + BLOCK)
        found, share = _block(values[block] - start, sd[block])
        near = np.minimum(np.arange(1, len(found) + 1), OVERLAP)
        fade = np.minimum(near, near[::-1])
        total[block] += fade * found
        fades[block] += fade
        left.append(share)
    return np.asarray(start + total / fades), float(np.mean(left))


def _block(values: Array, sd: Array) -> tuple[Array, float]:
    """The same of a series that is short enough for a decomposition."""
    n, weight = len(values), 1 / sd
    bend = np.diff(np.eye(n), n=2, axis=0) / weight
    stiffness, shapes = np.linalg.eigh(bend.T @ bend * np.mean(weight**2))
    stiffness[:2] = 0.0  # of straight lines; what rounding leaves there, a large λ would act upon
    part = shapes.T @ (weight * values)
    kept = 1 / (1 + LAMBDA[:, np.newaxis] * stiffness)
    risk = (((1 - kept) * part) ** 2).sum(axis=1) + 2 * kept.sum(axis=1)
    best = kept[np.argmin(risk)]
    return shapes @ (best * part) / weight, float(best.mean())
