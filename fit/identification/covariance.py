"""Covariance of everything fitted; residuals are correlated from cell to cell and node to node.

With J the Jacobian of the weighted residuals, V their own covariance and Λ the precision of what
was known beforehand, that of the parameters is a sandwich (White 1980, Econometrica 48, 817):

    (JᵀJ + Λ)⁻¹ (JᵀVJ + Λ) (JᵀJ + Λ)⁻¹,    V = (across the nodes) ⊗ ρ^|i − k| along the record
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.blas import dtrsm
from scipy.linalg.lapack import dpotrf

from fit.identification.autocorrelation import correlated, inflation, lag_one
from fit.identification.least_squares import Problem, Projected
from fit.identification.pole_model import CellRecord
from fit.records.run import Array

LEAST_VARIANCE = 1e-12  # of standardised residuals, in place of a zero that nothing divides by
# Below this pivot of the scaled matrix its inverse by Cholesky keeps fewer than four digits of
# the sixteen; what the data do not determine at all is then left out by the pseudo-inverse.
LEAST_PIVOT, LEAST_EIGENVALUE = 1e-6, 1e-14


@dataclass(frozen=True, eq=False)
class Block:
    """One node's residuals as a function of the parameters."""

    jacobian: Array  # (p, c) of its weighted residuals
    columns: NDArray[np.intp]  # (p,) which parameters those are


@dataclass(frozen=True, eq=False)
class ParameterCovariance:
    """Covariance of all parameters, the nodes' zero-power offsets among them."""

    normal: Array  # JᵀJ + Λ
    meat: Array  # JᵀVJ + Λ
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

    def split(self, precision: Array) -> tuple[ParameterCovariance, ParameterCovariance]:
        """What is left without the true values of some parameters, and what these alone bring.

        precision: (P,) with which those were known beforehand, 0 of all others. As far as the
        record does not tell them, their true values stay in the estimate of the others.
        """
        own = np.diag(precision)
        return replace(self, meat=self.meat - own), replace(self, meat=own)


def sandwich_covariance(
    blocks: list[Block],
    residual: Array,
    *,
    spent: float,
    precision: Array,
    offsets: NDArray[np.intp],
) -> ParameterCovariance:
    """Sandwich covariance with an AR(1) along the record and a full covariance across nodes.

    Args:
        blocks: (m,) one a node.
        residual: (c, m) weighted.
        spent: parameters fitted, a node.
        precision: (P, P) Λ of what was known beforehand.
        offsets: (m,) the place of each node's offset.
    """
    rho = lag_one(residual)
    across = _across(residual, spent)
    normal, meat = precision.copy(), precision.copy()
    # All nodes' rows at once: each is one triangular solve.
    along = correlated(np.concatenate([block.jacobian for block in blocks]), rho)
    begin = 0
    for i, one in enumerate(blocks):
        pushed = along[begin : begin + len(one.jacobian)]
        begin += len(one.jacobian)
        normal[np.ix_(one.columns, one.columns)] += one.jacobian @ one.jacobian.T
        for j, other in enumerate(blocks):
            meat[np.ix_(one.columns, other.columns)] += across[i, j] * pushed @ other.jacobian.T
    is_offset = np.zeros(len(normal), dtype=bool)
    is_offset[offsets] = True
    return ParameterCovariance(normal, meat, is_offset)


def positive(matrix: Array) -> Array:
    """The nearest covariance: negative eigenvalues set to zero."""
    values, vectors = np.linalg.eigh(0.5 * (matrix + matrix.T))
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T)


def _across(residual: Array, spent: float) -> Array:
    """Covariance (m, m) of residuals (c, m) across nodes, none below the noise of the readings."""
    across = residual.T @ residual / max(len(residual) - spent, 1.0)
    floor = np.maximum(1.0 / np.maximum(np.diag(across), LEAST_VARIANCE), 1.0)
    return np.asarray(across * np.sqrt(np.outer(floor, floor)))


def correlation_inflation(solution: Projected) -> float:
    """Factor on a white-noise variance: the residuals' own scale and their correlation."""
    residual = solution.residual
    N, m = residual[np.any(residual != 0, axis=1)].shape
    p = solution.coefficient.shape[0]
    scale = np.sum(residual**2) / max(N * m - p * m - len(solution.theta), 1)
    return float(scale * inflation(lag_one(residual)))


class LinearModel(Protocol):
    """A model that is linear in its coefficients, on a record's cells."""

    @property
    def parameters(self) -> int:
        """Coefficients of a node, its offset first."""

    @property
    def record(self) -> CellRecord:
        """What it describes."""


def parameter_covariance(
    model: LinearModel, problem: Problem, solution: Projected
) -> ParameterCovariance:
    """Covariance of (θ, c_1, …, c_m), c_j in the model's own order of columns.

    Every node has its own Jacobian, by θ and its own c_j; by another node's it is zero.
    """
    m, q, p = solution.residual.shape[1], len(solution.theta), model.parameters
    cells = len(model.record.cells.samples)
    precision = np.zeros((q + m * p, q + m * p))
    if problem.prior is not None:
        precision[:q, :q] = np.diag(1 / problem.prior.sd**2)
    blocks = []
    for j in range(m):
        columns = np.concatenate((np.arange(q), q + p * j + np.arange(p)))
        own = problem.weight[:, j] * np.concatenate((solution.slope[:, j].T, solution.design.T))
        # The rows below the record's hold priors: each independent, of unit variance.
        below = own[:, cells:]
        precision[np.ix_(columns, columns)] += below @ below.T
        blocks.append(Block(own[:, :cells], columns))
    return sandwich_covariance(
        blocks,
        solution.residual[:cells],
        spent=p + q / m,
        precision=precision,
        offsets=q + p * np.arange(m),
    )


def _sandwich(normal: Array, meat: Array) -> Array:
    """normal⁻¹ meat normal⁻¹."""
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    scaled = normal / np.outer(scale, scale)
    factor, failed = dpotrf(scaled)
    inner = meat / np.outer(scale, scale)
    if failed or np.diagonal(factor).min() < LEAST_PIVOT:
        inverse = np.linalg.pinv(scaled, rcond=LEAST_EIGENVALUE, hermitian=True)
        found = inverse @ inner @ inverse
    else:
        half = dtrsm(1.0, factor, dtrsm(1.0, factor, inner, trans_a=1))
        found = dtrsm(1.0, factor, dtrsm(1.0, factor, half.T, trans_a=1))
    return np.asarray(found / np.outer(scale, scale))
