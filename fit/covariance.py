"""Covariance of everything fitted; residuals are correlated from cell to cell and node to node."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import toeplitz

from fit.record import Array
from fit.transfer import Model
from fit.varpro import Projected, full_jacobian


@dataclass(frozen=True)
class ParameterCovariance:
    """Covariance of (θ, c_1, …, c_m), c_j in the model's own order of columns."""

    total: Array
    known_offset: Array  # the same, had the zero-power offsets been known


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
    blocks = full_jacobian(solution, problem.weight)
    m, N, size = blocks.shape
    J = blocks.reshape(m * N, size)
    q, p = len(solution.theta), model.parameters
    cells = len(model.record.cells.samples)
    extra = np.zeros(J.shape[1])
    if problem.prior is not None:
        extra[:q] = 1 / problem.prior.sd
    normal = J.T @ J + np.diag(extra**2)
    residual = solution.residual[:cells]
    rho = autocorrelation(residual[np.any(residual != 0, axis=1)])
    free = max(cells - p - q / m, 1.0)
    across = residual.T @ residual / free
    floor = np.maximum(1.0 / np.maximum(np.diag(across), 1e-12), 1.0)
    across = across * np.sqrt(np.outer(floor, floor))
    along = toeplitz(rho ** np.arange(cells))
    meat = np.zeros_like(normal)
    pushed = np.array([along @ blocks[j, :cells] for j in range(m)])
    for i in range(m):
        for j in range(m):
            meat += across[i, j] * blocks[i, :cells].T @ pushed[j]
    prior_rows = blocks[:, cells:].reshape(-1, J.shape[1])
    meat += prior_rows.T @ prior_rows + np.diag(extra**2)
    total = _sandwich(normal, meat)
    kept = np.ones(J.shape[1], dtype=bool)
    kept[q + p * np.arange(m)] = False
    known = np.zeros_like(total)
    known[np.ix_(kept, kept)] = _sandwich(normal[np.ix_(kept, kept)], meat[np.ix_(kept, kept)])
    return ParameterCovariance(total, known)


def _sandwich(normal: Array, meat: Array) -> Array:
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    inverse = np.linalg.pinv(normal / np.outer(scale, scale), rcond=1e-14, hermitian=True)
    inverse = inverse / np.outer(scale, scale)
    return inverse @ meat @ inverse
