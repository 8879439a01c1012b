"""How many time constants the data carries."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import lmfit
import numpy as np
from scipy.stats import chi2

from fit.covariance import correlation_inflation, parameter_covariance
from fit.record import Array
from fit.transfer import Model, Reduced
from fit.varpro import Projected, minimizer, solve

CLOSEST_RATIO = 2.0  # two time constants nearer than this cannot be told apart
SIGNIFICANCE = 1e-3
WIDEST_LN_TAU = 0.8  # standard uncertainty of ln tau above which a time constant is not resolved
GRID = 24
OVERWHELMING = 10.0  # times the gain that is significant
FASTER = "is shorter than the scan shows"
CLOSE_ENOUGH = 0.02  # of the weighted sum of squares: far below what noise moves it by


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


def refine(model: Model, theta: Array, rounds: int = 0, most_steps: int = 12) -> Fitted:
    """Fit from a start θ; the ladder's prior on the reference coefficients follows the fit."""
    prior = None
    if model.has_reference and model.powered:
        prior = model.ladder_reference(model.problem().at(theta, False).coefficient)
    solution = solve(model.problem(prior), theta, absolute=CLOSE_ENOUGH, most_steps=most_steps)
    for _ in range(rounds if prior is not None else 0):
        prior = model.ladder_reference(solution.coefficient)
        solution = solve(model.problem(prior), solution.theta, absolute=1e-3 * CLOSE_ENOUGH)
    return Fitted(model, solution, prior)


def polish(fitted: Fitted) -> Fitted:
    """The fit's last steps, by lmfit over ln τ alone; kept where it is no worse."""
    problem = fitted.model.problem(fitted.reference_prior)
    theta = fitted.solution.theta
    names = [f"ln_tau_{k + 1}" for k in range(fitted.order)]
    names += ["edge_s"] * (len(theta) - fitted.order)
    try:
        result = minimizer(problem, theta, names).minimize(method="leastsq", max_nfev=40)
    except (ValueError, lmfit.MinimizerException):
        return fitted
    found = problem.at(np.array([result.params[name].value for name in names]))
    return replace(fitted, solution=found) if found.cost <= fitted.solution.cost else fitted


def sort_tau(fitted: Fitted) -> Fitted:
    """The same fit with its time constants in ascending order."""
    K = fitted.order
    rank = np.argsort(fitted.solution.theta[:K])
    if (rank == np.arange(K)).all():
        return fitted
    theta = fitted.solution.theta.copy()
    theta[:K] = theta[:K][rank]
    prior = None if fitted.reference_prior is None else fitted.reference_prior[rank]
    return Fitted(fitted.model, fitted.model.problem(prior).at(theta), prior)


class Grid:
    """Candidate time constants, filtered once, and what each would add to a fit."""

    def __init__(self, record: Reduced) -> None:
        self.record = record
        low, high = np.log(0.6 * record.scan_s), np.log(2.5 * record.length_s)
        self.ln_tau = np.linspace(low, high, GRID)
        model = Model(record, GRID)
        edge = [-0.5 * record.scan_s] if record.edge_free and model.powered else []
        phi, _ = model.basis(np.append(self.ln_tau, edge))
        kinds = [columns for columns in (model.a, model.b, model.e) if len(columns)]
        cells = len(record.cells.samples)
        self.columns = np.stack(
            [phi[:cells, columns] for columns in kinds], axis=2
        )  # (c, G, kinds)

    def gains(self, fitted: Fitted | None) -> Array:
        """Drop of the sum of squares when each ln tau is added, the others held (G,)."""
        record = self.record
        cells = len(record.cells.samples)
        gains = np.zeros(GRID)
        model = Model(record, 1) if fitted is None else fitted.model
        groups = model.problem().groups
        design = np.ones((cells, 1)) if fitted is None else fitted.solution.design[:cells]
        for nodes, profile in groups:
            w = profile[:cells, None]
            Q = np.linalg.qr(w * design)[0]
            target = record.weight[:, nodes] * record.rise_K[:, nodes]
            residual = target - Q @ (Q.T @ target)
            flat = (w[:, :, None] * self.columns).reshape(cells, -1)
            flat = flat - Q @ (Q.T @ flat)
            added = flat.reshape(self.columns.shape)
            gram = np.einsum("cgi,cgj->gij", added, added)
            gram += 1e-9 * np.einsum("gii->g", gram)[:, None, None] * np.eye(gram.shape[1])
            right = np.einsum("cgi,cm->gim", added, residual)
            gains += np.einsum("gim,gim->g", right, np.linalg.solve(gram, right))
        if fitted is not None:
            apart = np.abs(self.ln_tau[:, None] - np.log(fitted.tau_s)).min(axis=1)
            gains[apart < 0.3] = -np.inf
        return gains

    def peaks(self, fitted: Fitted | None, number: int) -> list[float]:
        """The most promising further ln tau, at least a factor e apart."""
        gains = self.gains(fitted)
        found: list[float] = []
        for g in np.argsort(gains)[::-1]:
            if len(found) == number or not np.isfinite(gains[g]):
                break
            if not found or min(abs(self.ln_tau[g] - other) for other in found) > 1.0:
                found.append(float(self.ln_tau[g]))
        return found


def fit_order(grid: Grid, order: int, below: Fitted | None, starts: int = 1) -> Fitted:
    """Fit one order, starting from the order below with the best further time constant added."""
    record = grid.record
    model = Model(record, order)
    edge = np.array([-0.5 * record.scan_s] if record.edge_free and model.powered else [])
    known = np.array([])
    if below is not None:
        known, edge = below.solution.theta[: below.order], below.solution.theta[below.order :]
    best: Fitted | None = None
    for peak in grid.peaks(below, starts):
        start = np.concatenate((np.sort(np.append(known, peak)), edge))
        candidate = refine(model, start)
        if best is None or candidate.solution.cost < best.solution.cost:
            best = candidate
    assert best is not None
    return sort_tau(best)


def doubts(fitted: Fitted) -> list[str]:
    """Why a fit's time constants are not all resolved; empty when they are."""
    record, tau = fitted.model.record, fitted.tau_s
    reasons = []
    for shorter, longer in pairwise(tau):
        if longer < CLOSEST_RATIO * shorter:
            reasons.append(f"{shorter:.3g} s and {longer:.3g} s are too close to be told apart")
    covariance = parameter_covariance(fitted.model, fitted.solution, fitted.reference_prior).total
    spread = np.sqrt(np.diag(covariance)[: fitted.order])
    for value, u in zip(tau, spread, strict=True):
        if value < 0.6 * record.scan_s:
            reasons.append(f"a time constant near {value:.2g} s {FASTER}")
        elif value > 5 * record.length_s:
            reasons.append(f"a time constant beyond {value:.3g} s is longer than the record shows")
        elif not u < WIDEST_LN_TAU:
            reasons.append(f"a time constant near {value:.3g} s has no finite interval")
    return reasons


def choose(record: Reduced, max_order: int) -> tuple[Fitted, tuple[str, ...]]:
    """The highest order the record supports, and what it did not support, one sentence each."""
    fits: list[Fitted] = []
    grid = Grid(record)
    usable = int((record.weight > 0).sum(axis=0).min())
    for order in range(1, max_order + 1):
        if fits and Model(record, order).parameters * 2 > usable:
            break
        fits.append(fit_order(grid, order, fits[-1] if fits else None))
        if len(fits) > 2 and fits[-3].solution.cost - fits[-1].solution.cost < 4:
            break
    scale = correlation_inflation(fits[-1].solution)
    chosen, not_resolved = fits[0], []
    for candidate in fits[1:]:
        more = candidate.model.parameters - chosen.model.parameters
        more = more * len(record.nodes) + candidate.order - chosen.order
        gain = (chosen.solution.cost - candidate.solution.cost) / scale
        needed = chi2.isf(SIGNIFICANCE, more)
        if gain < needed:
            continue
        reasons = doubts(candidate)
        # A response faster than the scan is a doubt about its time constant, not about its being
        # there; and a fit that is plainly wrong without the term is no better answer.
        if not all(FASTER in reason for reason in reasons) and gain < OVERWHELMING * needed:
            not_resolved.append(f"{candidate.order} time constants: {'; '.join(reasons)}")
            continue
        chosen = candidate
    chosen = sort_tau(polish(refine(chosen.model, chosen.solution.theta, rounds=2)))
    kept = [text for text in not_resolved if int(text.split()[0]) > chosen.order]
    return chosen, (*doubts(chosen), *kept[:1])
