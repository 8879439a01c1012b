"""How many time constants the data carries."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.special import chdtri

from fit.errors import NotIdentifiable
from fit.identification.covariance import (
    ParameterCovariance,
    correlation_inflation,
    parameter_covariance,
)
from fit.identification.least_squares import (
    SAME_THETA,
    Problem,
    Projected,
    common_profiles,
    factorise,
    solve,
)
from fit.identification.pole_model import CellRecord, Model
from fit.notation import digits
from fit.records.run import Array

CLOSEST_RATIO = 2.0  # two time constants nearer than this cannot be told apart. Ours
# Chance of as large a gain where there is no further term: so small because every order is tried,
# and a term too many does more harm than one too few. Ours.
SIGNIFICANCE = 1e-3
SIGNIFICANT_COEFFICIENT = 3.0  # standard uncertainties of some node's: common practice
WIDEST_LN_TAU = 0.8  # standard uncertainty of ln tau: a factor of 5 to either side at 95 %. Ours
SETTLED_SHARE = 1 / 3  # of the record: then 5 % of the slowest response is left to see. Ours
SEARCHED = 2.5  # records: a third of a longer one's response is all that is in it. Ours
FAR_OFF = 10.0  # times the sum of squares of the fit with a further time constant. Ours
OVERWHELMING = 10.0  # times the gain that is significant. Ours
CLOSE_ENOUGH = 0.02  # of the weighted sum of squares: far below what noise moves it by
EXACT_GAIN = 1e-12  # the same of its last steps: below this the sum's own rounding decides
# Of a noise variance of (1 uK)^2, the least that is counted: what a double's rounding leaves of
# readings that never change, at a thousand degrees (1e-13 K).
ROUNDING = 1e-12
SEARCH_GAIN = 1e-3  # of the sum of squares: less changes no choice of the order. Ours


@dataclass(frozen=True, eq=False)
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

    @property
    def cost(self) -> float:
        return self.solution.cost

    @cached_property
    def problem(self) -> Problem:
        """What was minimised."""
        return self.model.problem(self.reference_prior)

    @cached_property
    def covariance(self) -> ParameterCovariance:
        """Of everything fitted."""
        return parameter_covariance(self.model, self.problem, self.solution)


@dataclass(frozen=True)
class Rejection:
    """Why one time constant of a fit is not resolved."""

    index: int  # which one
    kind: str  # "close", "faster", "beyond", "loose" or "faint"
    text: str


def refine(model: Model, theta: Array, most_steps: int = 12) -> Fitted:
    """Search from a start θ, with the ladder's prior on the reference coefficients there."""
    prior = None
    if model.has_reference and model.powered:
        prior = model.ladder_reference(model.problem().at(theta, False).coefficient)
    solution = solve(
        model.problem(prior),
        theta,
        relative=SEARCH_GAIN,
        absolute=CLOSE_ENOUGH,
        most_steps=most_steps,
    )
    return Fitted(model, solution, prior)


def finish(fitted: Fitted) -> Fitted:
    """The fit without interpolation, its prior where the fit ends."""
    model, solution = Model(fitted.model.record, fitted.order), fitted.solution
    prior = None
    for _ in range(3):
        if model.has_reference and model.powered:
            prior = model.ladder_reference(solution.coefficient)
        solution = solve(model.problem(prior), solution.theta, absolute=1e-3 * CLOSE_ENOUGH)
        if prior is None:
            break
    return sort_tau(refine_exact(Fitted(model, solution, prior)))


def refine_exact(fitted: Fitted) -> Fitted:
    """The fit's last steps, to the last digits; kept where it is no worse."""
    found = solve(fitted.problem, fitted.solution.theta, relative=EXACT_GAIN)
    if np.abs(found.theta - fitted.solution.theta).max() < SAME_THETA:
        return fitted
    return replace(fitted, solution=found) if found.cost <= fitted.cost else fitted


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

    def __init__(self, record: CellRecord) -> None:
        self.record = record
        table, model = record.table, Model(record, 1)
        low, high = np.log(0.6 * record.scan_s), np.log(SEARCHED * record.length_s)
        places = np.flatnonzero((table.ln_tau >= low) & (table.ln_tau <= high))[::2]
        self.ln_tau = table.ln_tau[places]
        kinds = [kind for kind, used in enumerate((model.a, model.b, model.e)) if len(used)]
        columns = np.stack([table.column(kind)[:, places].T for kind in kinds], axis=1)
        if record.edge_free and model.powered:
            power = record.cells.power
            growth = np.exp(-0.5 * record.scan_s / np.exp(self.ln_tau))[:, None]
            columns[:, 0] = power - growth * (power - columns[:, 0])
        self._groups = []
        for nodes, profile, _ in common_profiles(record.weight):
            added = profile * columns  # (G, kinds, c)
            gram = added @ added.transpose(0, 2, 1)
            target = (record.weight * record.rise_K)[:, nodes]
            self._groups.append((profile[:, None], target, added, gram))

    def gains(self, fitted: Fitted | None) -> Array:
        """Drop of the sum of squares when each ln tau is added, the others held (G,)."""
        cells = len(self.record.cells.samples)
        gains = np.zeros(len(self.ln_tau))
        design = np.ones((cells, 1)) if fitted is None else fitted.solution.design[:cells]
        for profile, target, added, whole in self._groups:
            Q, _ = factorise(profile * design)
            residual = target - Q @ (Q.T @ target)
            G, kinds, _ = added.shape
            flat = added.reshape(-1, cells)
            right = (flat @ residual).reshape(G, kinds, -1)
            inside = (flat @ Q).reshape(G, kinds, -1)
            gram = whole - inside @ inside.transpose(0, 2, 1)
            size = np.einsum("gii->g", gram)[:, None, None]
            gram += (1e-9 * size + 1e-300) * np.eye(kinds)
            gains += np.sum(right * np.linalg.solve(gram, right), axis=(1, 2))
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
    model = Model(record, order, interpolated=True)
    edge = np.array([-0.5 * record.scan_s] if record.edge_free and model.powered else [])
    known = np.array([])
    if below is not None:
        known, edge = below.solution.theta[: below.order], below.solution.theta[below.order :]
    best: Fitted | None = None
    for peak in grid.peaks(below, starts):
        start = np.concatenate((np.sort(np.append(known, peak)), edge))
        candidate = refine(model, start)
        if best is None or candidate.cost < best.cost:
            best = candidate
    assert best is not None
    return sort_tau(best)


def find_doubts(fitted: Fitted) -> list[Rejection]:
    """Why a fit's time constants are not all resolved; empty when they are."""
    record, tau = fitted.model.record, fitted.tau_s
    found = []
    variance = np.diag(fitted.covariance.total)
    spread = np.sqrt(np.maximum(variance[: len(tau)], 0.0))
    score = _significance(fitted, variance)
    for k, (value, u) in enumerate(zip(tau, spread, strict=True)):
        if k and value < CLOSEST_RATIO * tau[k - 1]:
            weaker = k if score[k] < score[k - 1] else k - 1
            text = f"{digits(tau[k - 1])} s and {digits(value)} s are too close to be told apart"
            found.append(Rejection(weaker, "close", text))
        if value < 0.6 * record.scan_s:
            text = f"a time constant near {value:.2g} s is shorter than the scan shows"
            found.append(Rejection(k, "faster", text))
        elif value > record.length_s:
            length = digits(record.length_s)
            text = f"a time constant beyond {length} s is longer than the record shows"
            found.append(Rejection(k, "beyond", text))
        elif not u < WIDEST_LN_TAU:
            text = f"a time constant near {digits(value)} s has no finite interval"
            found.append(Rejection(k, "loose", text))
        elif score[k] < SIGNIFICANT_COEFFICIENT:
            text = f"a time constant near {digits(value)} s has no significant share in any node"
            found.append(Rejection(k, "faint", text))
    return found


def _significance(fitted: Fitted, variance: Array) -> Array:
    """Each time constant's largest coefficient of any node, in standard uncertainties (K,)."""
    model, solution = fitted.model, fitted.solution
    kind = model.a if model.powered else model.e
    if not len(kind):
        return np.full(fitted.order, np.inf)
    q, p, m = len(solution.theta), model.parameters, solution.coefficient.shape[1]
    u = np.sqrt(np.maximum(variance, 0.0)[q + p * np.arange(m) + kind[:, None]])
    size = np.abs(solution.coefficient[kind])
    return np.asarray((size / np.maximum(u, 1e-300)).max(axis=1))


def _without(fitted: Fitted, index: int) -> Fitted:
    """The fit with one time constant taken out and the others refitted."""
    model = Model(fitted.model.record, fitted.order - 1, interpolated=True)
    return sort_tau(refine(model, np.delete(fitted.solution.theta, index)))


def _needed(candidate: Fitted, chosen: Fitted) -> float:
    """The gain in the sum of squares that makes the candidate's further terms significant."""
    more = candidate.model.parameters - chosen.model.parameters
    more = more * len(candidate.model.record.nodes) + candidate.order - chosen.order
    return float(chdtri(max(more, 1), SIGNIFICANCE))


def _rising_orders(record: CellRecord, max_order: int, near: Fitted | None) -> list[Fitted]:
    """Fits of order 1, 2, … until neither the last nor any further term gains anything.

    With a fit of the same network near by, from that one's order on.
    """
    grid, fits = Grid(record), list[Fitted]()
    if near is not None and near.order <= max_order:
        model = Model(record, near.order, interpolated=True)
        if (len(near.solution.theta) > near.order) == (record.edge_free and model.powered):
            again = sort_tau(refine(model, near.solution.theta))
            fits = [] if find_doubts(again) else [again]
    usable = int((record.weight > 0).sum(axis=0).min())
    for order in range(1 + (fits[0].order if fits else 0), max_order + 1):
        if fits and Model(record, order).parameters * 2 > usable:
            break
        fits.append(fit_order(grid, order, fits[-1] if fits else None))
        if len(fits) > 1 and order < max_order:
            needed = _needed(fits[-1], fits[-2]) * min(correlation_inflation(fits[-1].solution), 1)
            if fits[-2].cost - fits[-1].cost < needed and grid.gains(fits[-1]).max() < needed:
                break
    return fits


def _grave_doubts(fitted: Fitted) -> list[Rejection]:
    """Why a fit's terms may not be there at all.

    A response faster than the scan is a doubt about its time constant, not about its being there.
    """
    return [doubt for doubt in find_doubts(fitted) if doubt.kind != "faster"]


def _supported(candidate: Fitted, chosen: Fitted, scale: float) -> tuple[Fitted | None, list[str]]:
    """The candidate, its doubtful time constants taken out one by one, if it then is the better.

    Also what was taken out. Where the slowest response has not been seen to its end, a fit that
    is plainly wrong without a further term is no better answer.
    """
    record, removed = candidate.model.record, list[str]()
    while True:
        more = candidate.order - chosen.order
        gain = (chosen.cost - candidate.cost) / scale
        needed = _needed(candidate, chosen) if more > 0 else 0.0
        if more < 0 or gain <= needed:
            return None, removed
        found = _grave_doubts(candidate)
        if not found:
            return candidate, removed
        if more == 0:  # one taken out leaves fewer than are chosen, or none at all
            return None, [*removed, found[0].text]
        # A fit far off has seen no end: its slowest time constant stands in for several.
        seen = chosen.tau_s.max() < SETTLED_SHARE * record.length_s
        seen = seen and chosen.cost < FAR_OFF * candidate.cost
        last = candidate.order - 1
        slow = all(d.kind in ("beyond", "loose") and d.index == last for d in found)
        if slow and not seen and gain > OVERWHELMING * needed:
            return candidate, removed
        removed.append(found[0].text)
        candidate = _without(candidate, _weakest(found))


def _surely_supported(fits: list[Fitted], scale: float) -> int:
    """Index of the highest fit without doubts that betters every lower one, whichever is chosen."""
    for k in range(len(fits) - 1, 0, -1):
        gain = (min(lower.cost for lower in fits[:k]) - fits[k].cost) / scale
        if gain > _needed(fits[k], fits[0]) and not _grave_doubts(fits[k]):
            return k
    return 0


def _weakest(found: list[Rejection]) -> int:
    """The time constant to take out first."""
    rank = ("beyond", "loose", "faint", "close")
    return min(found, key=lambda doubt: rank.index(doubt.kind)).index


def choose(
    record: CellRecord, max_order: int, near: Fitted | None = None
) -> tuple[Fitted, list[str]]:
    """The highest order the record supports, and why not the next, a sentence or none.

    near: the fit of a shorter record of the same run, to start from.
    """
    fits = _rising_orders(record, max_order, near)
    scale = correlation_inflation(fits[-1].solution)
    if not scale > ROUNDING:
        raise NotIdentifiable("no temperature changes in this record: there is nothing to fit")
    first = _surely_supported(fits, scale)
    chosen, not_resolved = fits[first], {}
    for candidate in fits[first + 1 :]:
        better, removed = _supported(candidate, chosen, scale)
        if better is not None:
            chosen = better
        if removed:
            not_resolved[candidate.order] = "; ".join(dict.fromkeys(removed))
    chosen = finish(chosen)
    kept = [f"{k} time constants: {why}" for k, why in not_resolved.items() if k > chosen.order]
    return chosen, kept[:1]
