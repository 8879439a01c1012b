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
    n = len(values)
    if n < 4:
        return values, 1.0
    weight = 1 / sd
    bend = np.diff(np.eye(n), n=2, axis=0) / weight
    stiffness, shapes = np.linalg.eigh(bend.T @ bend * np.mean(weight**2))
    stiffness[:2] = 0.0  # of straight lines; what rounding leaves there, a large λ would act upon
    start = values[0]  # so that what does not change stays as it is, to the last digit
    part = shapes.T @ (weight * (values - start))
    kept = 1 / (1 + LAMBDA[:, np.newaxis] * stiffness)
    risk = (((1 - kept) * part) ** 2).sum(axis=1) + 2 * kept.sum(axis=1)
    best = kept[np.argmin(risk)]
    return np.asarray(start + shapes @ (best * part) / weight), float(best.mean())
