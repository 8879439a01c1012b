"""Separable non-linear least squares by variable projection.

Minimises Σ_j ‖W_j (y_j − Φ(θ) c_j)‖² over θ and every c_j: the model is linear in c_j for given θ, so
c_j is projected out and only θ is searched for, with the analytic Jacobian of the projected residual.

Golub & Pereyra, SIAM J. Numer. Anal. 10 (1973) 413; O'Leary & Rust, Comput. Optim. Appl. 54 (2013) 579.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import qr, solve_triangular

from fit.record import Array

Derivative = tuple[Sequence[int], Array]  # columns that depend on one θ, their derivatives (N, ·)
Basis = Callable[[Array], tuple[Array, list[Derivative]]]


@dataclass(frozen=True)
class Projected:
    """The model at one θ, its linear part solved."""

    theta: Array  # (q,)
    coefficient: Array  # (p, m)
    residual: Array  # (N, m) weighted
    jacobian: Array  # (N * m, q) of the projected residual, node after node
    design: Array  # (m, N, p) weighted Φ
    slope: Array  # (m, N, q) weighted dΦ/dθ c
    prior_residual: Array  # (q,) of the prior on θ

    @property
    def cost(self) -> float:
        """Sum of squares, prior included."""
        return float(np.sum(self.residual**2) + np.sum(self.prior_residual**2))


@dataclass(frozen=True)
class Prior:
    """Gaussian knowledge of some θ: mean and standard deviation, infinite where there is none."""

    mean: Array
    sd: Array


@dataclass(frozen=True)
class Problem:
    """Data and model: y (N, m), weight (N, m) = 1/standard deviation, 0 where missing."""

    basis: Basis
    y: Array
    weight: Array
    lower: Array
    upper: Array
    prior: Prior | None = None

    def at(self, theta: Array, with_jacobian: bool = True) -> Projected:
        """Solve the linear part at θ (q,), with the Jacobian of Golub & Pereyra."""
        phi, derivatives = self.basis(theta)
        N, m = self.y.shape
        p, q = phi.shape[1], len(theta)
        coefficient, residual = np.empty((p, m)), np.empty((N, m))
        jacobian, slope = np.zeros((m, N, q)), np.zeros((m, N, q))
        design = np.empty((m, N, p))
        for j in range(m):
            w = self.weight[:, j]
            scaled = np.multiply(phi, w[:, None], out=design[j])
            Q, R = qr(scaled, mode="economic", check_finite=False)
            target = w * self.y[:, j]
            z = Q.T @ target
            residual[:, j] = target - Q @ z
            coefficient[:, j] = _solve_upper(R, z)
            if not with_jacobian:
                continue
            for k, (columns, d_phi) in enumerate(derivatives):
                change = d_phi @ coefficient[columns, j]
                slope[j, :, k] = w * change
                correlation = np.zeros(p)
                correlation[list(columns)] = d_phi.T @ (w * residual[:, j])
                fixed = slope[j, :, k]
                jacobian[j, :, k] = -(fixed - Q @ (Q.T @ fixed))
                jacobian[j, :, k] -= Q @ _solve_upper(R, correlation, transposed=True)
        return Projected(
            theta=theta,
            coefficient=coefficient,
            residual=residual,
            jacobian=jacobian.reshape(m * N, q),
            design=design,
            slope=slope,
            prior_residual=self._prior_residual(theta),
        )

    def _prior_residual(self, theta: Array) -> Array:
        if self.prior is None:
            return np.zeros(len(theta))
        return (theta - self.prior.mean) / self.prior.sd


def _solve_upper(R: Array, right: Array, transposed: bool = False) -> Array:
    """Solve with a triangular factor, columns that carry nothing set to zero."""
    diagonal = np.abs(np.diag(R))
    if diagonal.min() > 1e-13 * max(diagonal.max(), 1e-300):
        return solve_triangular(R, right, trans=1 if transposed else 0, check_finite=False)
    return np.linalg.lstsq(R.T if transposed else R, right, rcond=1e-12)[0]


def solve(
    problem: Problem, start: Array, tolerance: float = 1e-10, most_steps: int = 60
) -> Projected:
    """Levenberg-Marquardt over θ from start (q,), inside the problem's limits."""
    here = problem.at(np.clip(start, problem.lower, problem.upper))
    damping = 1e-3
    prior_rows = np.zeros(len(start)) if problem.prior is None else 1 / problem.prior.sd
    for _ in range(most_steps):
        normal = here.jacobian.T @ here.jacobian + np.diag(prior_rows**2)
        gradient = here.jacobian.T @ here.residual.T.ravel() + prior_rows * here.prior_residual
        improved = False
        while damping < 1e12:
            scale = np.diag(normal) + 1e-12 * max(np.trace(normal), 1e-300)
            step = -np.linalg.solve(normal + damping * np.diag(scale), gradient)
            step *= min(1.0, 1.5 / max(np.abs(step).max(), 1e-300))
            there = problem.at(np.clip(here.theta + step, problem.lower, problem.upper))
            if there.cost <= here.cost:
                improved = True
                break
            damping *= 6
        if not improved:
            break
        moved = np.abs(there.theta - here.theta).max()
        gain = here.cost - there.cost
        here, damping = there, max(damping / 8, 1e-12)
        if gain <= tolerance * here.cost or moved < 1e-12:
            break
    return here


def full_jacobian(solution: Projected) -> NDArray[np.float64]:
    """Jacobian of the weighted model by (θ, c_1, …, c_m): (N * m, q + p * m)."""
    m, N, p = solution.design.shape
    q = len(solution.theta)
    J = np.zeros((m, N, q + p * m))
    J[:, :, :q] = solution.slope
    for j in range(m):
        J[j, :, q + p * j : q + p * (j + 1)] = solution.design[j]
    return J.reshape(m * N, -1)
