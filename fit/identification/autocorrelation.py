"""Residuals that are alike from one to the next: how much, and what that does to a variance.

A residual is taken as a first-order autoregressive series, AR(1): between residuals k apart the
correlation is ρ^k. A mean of such a series has (1 + ρ)/(1 − ρ) times the variance that white noise
of the same size would give it (Box & Jenkins, Time Series Analysis, 1970, ch. 2, from memory).
"""

from __future__ import annotations

import numpy as np
from scipy.linalg.lapack import dtbtrs

from fit.records.run import Array

# Never taken for more, or a record of a trend alone would tell nothing at all: 99 residuals of
# it count as one. Ours.
MOST = 0.98
# The same of residuals that stand about what no model describes (heat in fields, a draught): more
# of them is a drift, which the models' own scatter has already. Ours.
MOST_UNDESCRIBED = 0.95
LEAST_RESIDUALS = 4  # of fewer no correlation can be estimated: two pairs and their mean


def lag_one(residual: Array, at_most: float = MOST) -> float:
    """Lag-one correlation ρ of standardised residuals, one for all nodes, none negative.

    The estimate from N residuals of a fit with a constant is too low by (1 + 3ρ)/N (Kendall 1954,
    from memory), which is put right.

    Args:
        residual: (N, m), rows without any reading zero throughout; they are passed over.
        at_most: never more than that.

    >>> lag_one(np.sin(np.arange(200.0) / 20)[:, None])
    0.98
    """
    residual = residual[np.any(residual != 0, axis=1)]
    N = len(residual)
    if N < LEAST_RESIDUALS:
        return 0.0
    rho = float(np.sum(residual[1:] * residual[:-1]) / np.sum(residual**2))
    return float(np.clip(rho + (1 + 3 * max(rho, 0.0)) / N, 0.0, at_most))


def inflation(rho: float) -> float:
    """Variance of a mean of residuals with lag-one correlation ρ, over that of white noise.

    >>> inflation(0.5)
    3.0
    """
    return (1 + rho) / (1 - rho)


def correlogram(values: Array, lags: int) -> Array:
    """Correlation of values (n,) of mean zero with themselves 1 ... lags later (lags,).

    >>> correlogram(np.array([1.0, -1.0, 1.0, -1.0]), 2).tolist()
    [-0.75, 0.5]
    """
    power = float(values @ values) or 1.0
    return np.array([values[k:] @ values[:-k] for k in range(1, lags + 1)]) / power


def correlated(rows: Array, rho: float) -> Array:
    """Rows (·, c) times the matrix of ρ^|i − k|: y_i = x_i + ρ y_i−1, and so backwards.

    Both are triangular systems of two diagonals (scipy.signal's filter would load scipy.stats).
    """
    if rho == 0:
        return rows
    band = np.array([[1.0], [-rho]]).repeat(rows.shape[1], axis=1)
    forwards, _ = dtbtrs(band, rows.T, uplo="L", diag="U")
    backwards, _ = dtbtrs(band, rows.T, uplo="L", trans="T", diag="U")
    return np.asarray((forwards + backwards).T - rows)
