"""Covariance of everything fitted; residuals are correlated from cell to cell and node to node."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.blas import dtrsm
from scipy.linalg.lapack import dpotrf, dtbtrs

from fit.identification.least_squares import Problem, Projected
from fit.identification.pole_model import Model
from fit.records.run import Array


@dataclass(frozen=True)
class ParameterCovariance:
    """Covariance of (θ, c_1, …, c_m), c_j in the model's own order of columns."""

    normal: Array  # J'J
    meat: Array  # J' V J, V the residuals' own covariance
    offsets: NDArray[np.bool_]  # which parameters are the nodes' offsets

    @cached_property
    def total(self) -> Array:
        """With the zero-power offsets estimated along with the rest."""
        return _sandwich(self.normal, self.meat)

    @cached_property
    def known_offset(self) -> Array:
        """The same, had the zero-power offsets been known."""
        kept = np.ix_(~self.offsets, ~self.offsets)
        known = np.zeros_like(self.normal)
        known[kept] = _sandwich(self.normal[kept], self.meat[kept])
        return known


def autocorrelation(residual: Array) -> float:
    """Lag-one correlation of standardised residuals (N, m), pooled over nodes, bias taken out."""
    N = len(residual)
    power = np.sum(residual**2)
    if N < 4 or power == 0:
        return 0.0
    rho = float(np.sum(residual[1:] * residual[:-1]) / power)
    return float(np.clip(rho + (1 + 3 * max(rho, 0.0)) / N, 0.0, 0.98))


def correlation_inflation(solution: Projected) -> float:
    """Factor on a white-noise variance: the residuals' own scale and their correlation."""
    residual = solution.residual
    present = np.any(residual != 0, axis=1)
    rho = autocorrelation(residual[present])
    N, m = residual[present].shape
    p = solution.coefficient.shape[0]
    scale = np.sum(residual**2) / max(N * m - p * m - len(solution.theta), 1)
    return float(scale * (1 + rho) / (1 - rho))


def parameter_covariance(
    model: Model, problem: Problem, solution: Projected
) -> ParameterCovariance:
    """Sandwich covariance with an AR(1) along the record and a full covariance across nodes."""
    m, q, p = solution.residual.shape[1], len(solution.theta), model.parameters
    N, cells = len(solution.design), len(model.record.cells.samples)
    size = q + p
    # Every node's own Jacobian by (θ, c_j); by another node's c it is zero.
    own = np.empty((m, size, N))
    weight = problem.weight.T[:, None]
    np.multiply(weight, solution.slope.transpose(1, 2, 0), out=own[:, :q])
    np.multiply(weight, solution.design.T, out=own[:, q:])
    residual = solution.residual[:cells]
    rho = autocorrelation(residual[np.any(residual != 0, axis=1)])
    across = residual.T @ residual / max(cells - p - q / m, 1.0)
    floor = np.maximum(1.0 / np.maximum(np.diag(across), 1e-12), 1.0)
    across = across * np.sqrt(np.outer(floor, floor))
    rows = own[:, :, :cells].reshape(m * size, cells)
    along = (rows @ _correlated(rows, rho).T).reshape(m, size, m, size)
    pairs = along * across[:, None, :, None]
    below = own[:, :, cells:]
    normal = _arrow(own @ own.transpose(0, 2, 1), q)
    meat = _arrow(below @ below.transpose(0, 2, 1), q)
    meat[:q, :q] += pairs[:, :q, :, :q].sum(axis=(0, 2))
    mixed = pairs[:, :q, :, q:].sum(axis=0).reshape(q, m * p)
    meat[:q, q:] += mixed
    meat[q:, :q] += mixed.T
    meat[q:, q:] += pairs[:, q:, :, q:].reshape(m * p, m * p)
    if problem.prior is not None:
        prior = np.diag(1 / problem.prior.sd**2)
        normal[:q, :q] += prior
        meat[:q, :q] += prior
    offsets = np.zeros(len(normal), dtype=bool)
    offsets[q + p * np.arange(m)] = True
    return ParameterCovariance(normal, meat, offsets)


def _arrow(blocks: Array, q: int) -> Array:
    """Sum over nodes of matrices (m, q + p, q + p) by (θ, c_j), in the order (θ, c_1, …, c_m)."""
    m, size, _ = blocks.shape
    p = size - q
    whole = np.zeros((q + m * p, q + m * p))
    whole[:q, :q] = blocks[:, :q, :q].sum(axis=0)
    whole[:q, q:] = blocks[:, :q, q:].transpose(1, 0, 2).reshape(q, m * p)
    whole[q:, :q] = whole[:q, q:].T
    for j in range(m):
        at = slice(q + p * j, q + p * (j + 1))
        whole[at, at] = blocks[j, q:, q:]
    return whole


def _correlated(rows: Array, rho: float) -> Array:
    """Rows (·, c) times the matrix of rho^|i - k|: y_i = x_i + rho y_i-1, and so backwards.

    Both are triangular systems of two diagonals (scipy.signal's filter would load scipy.stats).
    """
    if rho == 0:
        return rows
    band = np.array([[1.0], [-rho]]).repeat(rows.shape[1], axis=1)
    forwards, _ = dtbtrs(band, rows.T, uplo="L", diag="U")
    backwards, _ = dtbtrs(band, rows.T, uplo="L", trans="T", diag="U")
    return np.asarray((forwards + backwards).T - rows)


def _sandwich(normal: Array, meat: Array) -> Array:
    """normal⁻¹ meat normal⁻¹."""
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    scaled = normal / np.outer(scale, scale)
    factor, failed = dpotrf(scaled)
    inner = meat / np.outer(scale, scale)
    if failed or np.diagonal(factor).min() < 1e-6:
        inverse = np.linalg.pinv(scaled, rcond=1e-14, hermitian=True)
        found = inverse @ inner @ inverse
    else:
        half = dtrsm(1.0, factor, dtrsm(1.0, factor, inner, trans_a=1))
        found = dtrsm(1.0, factor, dtrsm(1.0, factor, half.T, trans_a=1))
    return np.asarray(found / np.outer(scale, scale))
