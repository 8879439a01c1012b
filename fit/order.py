"""How many time constants the data carries."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from fit.covariance import correlation_inflation, parameter_covariance
from fit.record import Array
from fit.transfer import Model, Reduced
from fit.varpro import Projected, solve

CLOSEST_RATIO = 2.0  # two time constants nearer than this cannot be told apart
SIGNIFICANCE = 1e-3
WIDEST_LN_TAU = 0.8  # standard uncertainty of ln tau above which a time constant is not resolved
GRID = 24


@dataclass(frozen=True)
class Fitted:
    """One order's fit."""

    model: Model
    solution: Projected
    reference_prior: Array | None

    @property
    def order(self) -> int:
        return self.model.order

    @property
    def tau_s(self) -> Array:
        return np.exp(self.solution.theta[: self.order])


def refine(model: Model, theta: Array, reference_prior: Array | None, rounds: int = 2) -> Fitted:
    """Fit from a start θ; the ladder's prior on the reference coefficients follows the fit."""
    solution = solve(model.problem(reference_prior), theta, tolerance=1e-7)
    if model.has_reference and model.powered:
        for _ in range(rounds):
            reference_prior = model.ladder_reference(solution.coefficient)
            solution = solve(model.problem(reference_prior), solution.theta, tolerance=1e-8)
    return Fitted(model, solution, reference_prior)


def _sorted(fitted: Fitted) -> Fitted:
    K = fitted.order
    rank = np.argsort(fitted.solution.theta[:K])
    if (rank == np.arange(K)).all():
        return fitted
    theta = fitted.solution.theta.copy()
    theta[:K] = theta[:K][rank]
    prior = None if fitted.reference_prior is None else fitted.reference_prior[rank]
    return Fitted(fitted.model, fitted.model.problem(prior).at(theta), prior)


def _grid(record: Reduced) -> Array:
    low, high = np.log(0.6 * record.scan_s), np.log(2.5 * record.length_s)
    return np.linspace(low, high, GRID)


def _gain(fitted: Fitted | None, model: Model, grid: Array) -> Array:
    """Drop of the sum of squares when each ln τ of the grid is added to a fit, its others held."""
    theta = np.array([]) if fitted is None else fitted.solution.theta
    K = 0 if fitted is None else fitted.order
    edge = theta[K:] if len(theta) > K else np.zeros(int(model.record.edge_free and model.powered))
    if fitted is None and len(edge):
        edge = np.array([-0.5 * model.record.scan_s])
    gains = np.empty(len(grid))
    problem = model.problem()
    for g, ln_tau in enumerate(grid):
        trial = np.concatenate((theta[:K], [ln_tau], edge))
        if K and np.min(np.abs(theta[:K] - ln_tau)) < 0.3:
            gains[g] = -np.inf
            continue
        gains[g] = -problem.at(trial, with_jacobian=False).cost
    return gains


def fit_order(record: Reduced, order: int, below: Fitted | None) -> Fitted:
    """Fit one order, starting from the order below with the best further time constant added."""
    model = Model(record, order)
    grid = _grid(record)
    gains = _gain(below, model, grid)
    edge = np.array([]) if below is None else below.solution.theta[below.order :]
    if below is None and record.edge_free and model.powered:
        edge = np.array([-0.5 * record.scan_s])
    known = np.array([]) if below is None else below.solution.theta[: below.order]
    best: Fitted | None = None
    tried: list[float] = []
    for g in np.argsort(gains)[::-1]:
        if not np.isfinite(gains[g]) or len(tried) == 2:
            break
        if tried and min(abs(grid[g] - other) for other in tried) < 1.0:
            continue
        tried.append(grid[g])
        start = np.concatenate((np.sort(np.append(known, grid[g])), edge))
        candidate = refine(model, start, None)
        if best is None or candidate.solution.cost < best.solution.cost:
            best = candidate
    assert best is not None
    return _sorted(best)


def doubts(fitted: Fitted) -> list[str]:
    """Why a fit's time constants are not all resolved; empty when they are."""
    record, tau = fitted.model.record, fitted.tau_s
    reasons = []
    for shorter, longer in zip(tau, tau[1:], strict=False):
        if longer < CLOSEST_RATIO * shorter:
            reasons.append(f"{shorter:.3g} s and {longer:.3g} s are too close to be told apart")
    covariance = parameter_covariance(fitted.model, fitted.solution).total
    spread = np.sqrt(np.diag(covariance)[: fitted.order])
    for value, u in zip(tau, spread, strict=True):
        if value < 0.6 * record.scan_s:
            reasons.append(f"a time constant near {value:.2g} s is shorter than the scan shows")
        elif value > 5 * record.length_s:
            reasons.append(f"a time constant beyond {value:.3g} s is longer than the record shows")
        elif not u < WIDEST_LN_TAU:
            reasons.append(f"a time constant near {value:.3g} s has no finite interval")
    return reasons


def choose(record: Reduced, max_order: int) -> tuple[Fitted, tuple[str, ...]]:
    """The highest order the record supports, and what it did not support, one sentence each."""
    fits: list[Fitted] = []
    for order in range(1, max_order + 1):
        if Model(record, order).parameters * 2 > np.isfinite(record.sd_K[:, 0]).sum():
            break
        fits.append(fit_order(record, order, fits[-1] if fits else None))
        if len(fits) > 2 and fits[-3].solution.cost - fits[-1].solution.cost < 4:
            break
    scale = correlation_inflation(fits[-1].solution)
    chosen, not_resolved = fits[0], []
    for candidate in fits[1:]:
        more = candidate.model.parameters - chosen.model.parameters
        more = more * len(record.nodes) + candidate.order - chosen.order
        gain = (chosen.solution.cost - candidate.solution.cost) / scale
        if gain < chi2.isf(SIGNIFICANCE, more):
            continue
        reasons = doubts(candidate)
        if reasons:
            not_resolved.append(f"{candidate.order} time constants: {'; '.join(reasons)}")
            continue
        chosen = candidate
    kept = tuple(text for text in not_resolved if int(text.split()[0]) > chosen.order)
    return chosen, kept[:1]
