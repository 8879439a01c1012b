"""Separable non-linear least squares by variable projection.

Minimises Σ_j ‖W_j (y_j − Φ(θ) c_j)‖² over θ and every c_j: the model is linear in c_j for
given θ, so c_j is projected out and only θ is searched for (`levenberg_marquardt`), with the
analytic Jacobian of the projected residual.

Golub & Pereyra, SIAM J. Numer. Anal. 10 (1973) 413;
O'Leary & Rust, Comput. Optim. Appl. 54 (2013) 579.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.blas import dtrsm
from scipy.linalg.lapack import dgeqrf, dorgqr

from fit.identification.levenberg_marquardt import Damping, Limits, Stop, minimise
from fit.records.run import Array
from fit.signals.cells import Index

SAME_THETA = 1e-13  # of ln τ: a rounding error's worth
LONGEST_STEP = 1.5  # of ln τ: beyond, the slope says nothing of the sum. Ours
# With the linear part projected out the sum is nearly quadratic in ln τ: damped little, and eased
# fast. One of Marquardt's values (a first damping of 1e-3) and near his factor of 10. Ours.
DAMPING = Damping(first=1e-3, raised=6.0, eased=8.0, eased_again=8.0, most=1e10, judged_below=1e-2)
ALIKE = 1e-9  # of weights: far below what they are known to, far above their rounding
# Columns that depend on one θ, and their derivatives (N, ·).
Derivative = tuple[list[int] | slice, Array]
# Columns of y, their common weight profile (N,), and each one's factor on it.
Group = tuple[Index | slice, Array, Array]
Basis = Callable[[Array], tuple[Array, list[Derivative]]]


@dataclass(frozen=True, eq=False)
class Projected:
    """The model at one θ, its linear part solved."""

    theta: Array  # (q,)
    coefficient: Array  # (p, m)
    residual: Array  # (N, m) weighted
    jacobian: Array  # (m * N, q) of the projected residual, column of y after column
    design: Array  # (N, p) Φ, not weighted
    slope: Array  # (N, m, q) dΦ/dθ c, not weighted
    prior_residual: Array  # (q,) of the prior on θ
    prior_slope: Array  # (q,) its derivative, one over the prior's standard deviation

    @property
    def residuals(self) -> Array:
        """Weighted residuals in the order of the Jacobian's rows (m * N,)."""
        return self.residual.T.ravel()

    @cached_property
    def cost(self) -> float:
        """Sum of squares, prior included."""
        residuals, prior = self.residuals, self.prior_residual
        return float(residuals @ residuals + prior @ prior)

    def normal_equations(self) -> tuple[Array, Array]:
        """JᵀJ (q, q) and Jᵀr (q,) of the projected residual, prior included."""
        normal = self.jacobian.T @ self.jacobian
        gradient = self.jacobian.T @ self.residuals
        normal += np.diag(self.prior_slope**2)
        return normal, gradient + self.prior_slope * self.prior_residual


@dataclass(frozen=True, eq=False)
class Prior:
    """Gaussian knowledge of some θ: mean and standard deviation, infinite where there is none."""

    mean: Array
    sd: Array


@dataclass(frozen=True, eq=False)
class Problem:
    """Data and model: y (N, m), weight (N, m) = 1/standard deviation, 0 where missing."""

    basis: Basis
    y: Array
    weight: Array
    lower: Array
    upper: Array
    prior: Prior | None = None

    @cached_property
    def groups(self) -> list[Group]:
        """Columns of y that share a weight profile, and so one factorisation."""
        return common_profiles(self.weight)

    @cached_property
    def _target(self) -> Array:
        return self.weight * self.y

    def at(self, theta: Array, with_jacobian: bool = True) -> Projected:
        """Solve the linear part at θ (q,), with the Jacobian of Golub & Pereyra."""
        phi, derivatives = self.basis(theta)
        N, m = self.y.shape
        q, prior = len(theta), self.prior
        coefficient, residual = np.empty((phi.shape[1], m)), np.empty((m, N)).T
        slope, jacobian = np.zeros((2, q, m, N))
        for columns, profile, scale in self.groups:
            Q, R = factorise(profile[:, None] * phi)
            target = self._target[:, columns]
            z = Q.T @ target
            left = target - Q @ z
            residual[:, columns] = left
            coefficient[:, columns] = _solve_upper(R, z) / scale
            if with_jacobian:
                factor = _Factor(Q, R, profile, scale)
                slope[:, columns], jacobian[:, columns] = _derivatives(
                    factor, derivatives, coefficient[:, columns], left
                )
        return Projected(
            theta=theta,
            coefficient=coefficient,
            residual=residual,
            jacobian=jacobian.reshape(q, m * N).T,
            design=phi,
            slope=slope.transpose(2, 1, 0),
            prior_residual=np.zeros(q) if prior is None else (theta - prior.mean) / prior.sd,
            prior_slope=self.prior_slope,
        )

    @cached_property
    def prior_slope(self) -> Array:
        """One over the standard deviation of the prior on each θ (q,), 0 where there is none."""
        return np.zeros(len(self.lower)) if self.prior is None else 1 / self.prior.sd


def common_profiles(weight: Array) -> list[Group]:
    """Groups of the columns of weights (N, m) that differ by no more than a factor."""
    size = np.sqrt(np.einsum("ij,ij->j", weight, weight))
    profile = weight / size
    if _alike(profile, profile[:, 0]).all():
        return [(slice(None), profile[:, 0], size)]
    remaining = np.arange(weight.shape[1])
    found: list[Group] = []
    while len(remaining):
        lead = profile[:, remaining[0]]
        alike = _alike(profile[:, remaining], lead)
        found.append((remaining[alike], lead, size[remaining[alike]]))
        remaining = remaining[~alike]
    return found


def _alike(profiles: Array, lead: Array) -> NDArray[np.bool_]:
    """Which columns of profiles (N, m) are one and the same as lead (N,)."""
    return np.asarray(np.abs(profiles - lead[:, None]).max(axis=0) <= ALIKE * lead.max())


@dataclass(frozen=True, eq=False)
class _Factor:
    """Q R = profile · Φ, shared by some columns of y whose weights are profile · scale."""

    Q: Array
    R: Array  # upper triangle
    profile: Array
    scale: Array


def _derivatives(
    factor: _Factor, derivatives: list[Derivative], coefficient: Array, residual: Array
) -> tuple[Array, Array]:
    """dΦ/dθ c and d(residual)/dθ = −P⊥ dΦ c − (P⊥ dΦ Φ⁻)ᵀ y of one factor's columns, (q, g, N)."""
    Q, R, profile = factor.Q, factor.R, factor.profile
    N, group, q = len(profile), len(factor.scale), len(derivatives)
    change = np.empty((q, group, N))
    correlation = np.zeros((q, group, len(R)))
    weighted = (profile[:, None] * residual).T
    for k, (involved, d_phi) in enumerate(derivatives):
        np.matmul(coefficient[involved].T, d_phi.T, out=change[k])
        correlation[k][:, involved] = weighted @ d_phi
    fixed = (change * (factor.scale[:, None] * profile)).reshape(-1, N)
    back = _solve_upper(R, correlation.reshape(-1, len(R)).T, transposed=True)
    jacobian = (fixed @ Q - back.T) @ Q.T
    jacobian -= fixed
    return change, jacobian.reshape(q, group, N)


def factorise(matrix: Array) -> tuple[Array, Array]:
    """Q (N, p) and R (p, p) of a matrix (N, p), N at least p; LAPACK called directly.

    The matrix may be overwritten; below R's diagonal lies what nothing reads.
    """
    p = matrix.shape[1]
    packed, reflectors, _, _ = dgeqrf(matrix, lwork=64 * p, overwrite_a=True)
    R = packed[:p].copy(order="F")
    return dorgqr(packed, reflectors, lwork=64 * p, overwrite_a=True)[0], R


def _solve_upper(R: Array, right: Array, transposed: bool = False) -> Array:
    """Solve with the upper triangle of R, columns that carry nothing set to zero."""
    diagonal = np.abs(R.diagonal())
    if diagonal.min() > 1e-13 * max(diagonal.max(), 1e-300):
        # Not dtrtrs: OpenBLAS starts its threads there however small the system.
        return np.asarray(dtrsm(1.0, R, right, trans_a=int(transposed)))
    upper = np.triu(R)
    square = upper.T if transposed else upper
    return np.asarray(np.linalg.lstsq(square, right, rcond=1e-12)[0], dtype=float)


def solve(
    problem: Problem,
    start: Array,
    relative: float = 1e-10,
    absolute: float = 0.0,
    most_steps: int = 60,
) -> Projected:
    """The least sum of squares from start (q,), inside the problem's limits.

    Ends when a step gains less than `relative` of the sum of squares or `absolute`, or is predicted
    to.
    """
    limits = Limits(problem.lower, problem.upper, np.full(len(start), LONGEST_STEP))
    stop = Stop(absolute=absolute, relative=relative, most_steps=most_steps)
    return minimise(problem.at, start, limits, rule=DAMPING, stop=stop)
