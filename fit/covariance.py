"""Covariance of everything fitted; residuals are correlated from cell to cell and node to node."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.blas import dtrsm
from scipy.linalg.lapack import dpotrf
from scipy.signal import lfilter

from fit.record import Array
from fit.transfer import Model
from fit.varpro import Projected


@dataclass(frozen=True)
class ParameterCovariance:
    """Covariance of (θ, c_1, …, c_m), c_j in the model's own order of columns."""

    normal: Array  # J'J
    meat: Array  # J' V J, V the residuals' own covariance
    offsets: NDArray[np.bool_]  # which parameters are the nodes' offsets

    @property
    def total(self) -> Array:
        """With the zero-power offsets estimated along with the rest."""
        return _sandwich(self.normal, self.meat)

    @property
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
    model: Model, solution: Projected, reference_prior: Array | None = None
) -> ParameterCovariance:
    """Sandwich covariance with an AR(1) along the record and a full covariance across nodes."""
    problem = model.problem(reference_prior)
    m, q, p = solution.residual.shape[1], len(solution.theta), model.parameters
    N, cells = len(solution.design), len(model.record.cells.samples)
    size = q + p
    # Every node's own Jacobian by (θ, c_j); by another node's c it is zero.
    own = np.empty((m, N, size))
    weight = problem.weight.T[:, :, None]
    own[:, :, :q] = weight * solution.slope.transpose(1, 0, 2)
    own[:, :, q:] = weight * solution.design
    residual = solution.residual[:cells]
    rho = autocorrelation(residual[np.any(residual != 0, axis=1)])
    across = residual.T @ residual / max(cells - p - q / m, 1.0)
    floor = np.maximum(1.0 / np.maximum(np.diag(across), 1e-12), 1.0)
    across = across * np.sqrt(np.outer(floor, floor))
    rows = own[:, :cells].transpose(1, 0, 2).reshape(cells, m * size)
    along = (rows.T @ _correlated(rows, rho)).reshape(m, size, m, size)
    pairs = along * across[:, None, :, None]
    below = own[:, cells:]
    prior = np.zeros((size, size))
    if problem.prior is not None:
        prior[np.arange(q), np.arange(q)] = 1 / problem.prior.sd**2
    normal, meat = np.zeros((q + p * m, q + p * m)), np.zeros((q + p * m, q + p * m))
    for i in range(m):
        at = np.append(np.arange(q), q + p * i + np.arange(p))
        alone = own[i].T @ own[i]
        normal[np.ix_(at, at)] += alone
        meat[np.ix_(at, at)] += below[i].T @ below[i]
        for j in range(m):
            other = np.append(np.arange(q), q + p * j + np.arange(p))
            meat[np.ix_(at, other)] += pairs[i, :, j]
    theta = slice(0, q)
    normal[theta, theta] += prior[theta, theta]
    meat[theta, theta] += prior[theta, theta]
    offsets = np.zeros(len(normal), dtype=bool)
    offsets[q + p * np.arange(m)] = True
    return ParameterCovariance(normal, meat, offsets)


def _correlated(rows: Array, rho: float) -> Array:
    """The matrix of rho^|i - k| times rows (c, ·), as a filter forwards and one backwards."""
    if rho == 0:
        return rows
    forwards = lfilter([1.0], [1.0, -rho], rows, axis=0)
    backwards = lfilter([1.0], [1.0, -rho], rows[::-1], axis=0)[::-1]
    return np.asarray(forwards + backwards - rows)


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
