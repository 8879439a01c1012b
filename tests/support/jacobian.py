"""The Jacobian of a fit by all of its parameters, which the program itself never forms."""

from __future__ import annotations

import numpy as np

from fit.identification.least_squares import Projected
from fit.records.run import Array


def full_jacobian(solution: Projected, weight: Array) -> Array:
    """Jacobian of the weighted model by (θ, c_1, …, c_m), node after node: (m, N, q + p m)."""
    N, m, q = solution.slope.shape
    p = solution.design.shape[1]
    J = np.zeros((m, N, q + p * m))
    for j in range(m):
        J[j, :, :q] = weight[:, [j]] * solution.slope[:, j]
        J[j, :, q + p * j : q + p * (j + 1)] = weight[:, [j]] * solution.design
    return J
