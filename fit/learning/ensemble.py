"""One update of an ensemble of draws by what was measured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fit.budget.model import Array


@dataclass(frozen=True, eq=False)
class Updated:
    """Mean and covariance of an ensemble after its update."""

    mean: Array  # (d,)
    covariance: Array  # (d, d)


def update(scores: Array, predicted: Array, measured: Array, covariance: Array) -> Updated:
    """Every draw is moved towards what was measured, by how it hangs together with it:

        x' = x + K (y + e − h),  K = C_xh (C_hh + S)⁻¹,  e ~ N(0, S)

    (ensemble Kalman filter with perturbed observations: Evensen 1994; Burgers, van Leeuwen &
    Evensen 1998). Mean and covariance of x' over e are taken in closed form,
    x̄ + K (y − h̄) and C_xx − K C_hx, so that no noise of e is in them.

    Args:
        scores: draws of the inputs (n, d).
        predicted: what each draw predicts of the measurement (n, m).
        measured: y (m,).
        covariance: S, of the measurement (m, m).

    Returns:
        Mean and covariance of the inputs.

    A reading as sure as the input was halves its variance and moves it half way:

    >>> x = standardized(np.random.default_rng(1).standard_normal((1000, 1)))
    >>> after = update(x, x, np.array([1.0]), np.array([[1.0]]))
    >>> after.mean.round(3).tolist(), after.covariance.round(3).tolist()
    ([0.5], [[0.5]])
    """
    n = len(scores)
    x, h = scores - scores.mean(axis=0), predicted - predicted.mean(axis=0)
    C_xh, C_hh = x.T @ h / (n - 1), h.T @ h / (n - 1)
    gain = np.linalg.solve(C_hh + covariance, C_xh.T).T
    left = x.T @ x / (n - 1) - gain @ C_xh.T
    return Updated(
        scores.mean(axis=0) + gain @ (measured - predicted.mean(axis=0)), 0.5 * (left + left.T)
    )


def standardized(scores: Array) -> Array:
    """Draws (n, d) made to have mean 0 and covariance 1 exactly, so that chance teaches nothing."""
    centred = scores - scores.mean(axis=0)
    covariance = centred.T @ centred / (len(scores) - 1)
    return np.asarray(np.linalg.solve(np.linalg.cholesky(covariance), centred.T).T)
