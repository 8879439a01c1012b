"""Fitting a ladder of lumps to the inner nodes.

One heat capacity per node and one resistance per span, the reference's measured temperature at
the far end; optionally a further lump, unmeasured, where the heat enters. A short record may be
explained in more than one way: the search starts from several places.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg import toeplitz
from scipy.optimize import nnls

from fit.identification.covariance import autocorrelation
from fit.identification.ladder.model import LadderModel
from fit.identification.pole_model import CellRecord
from fit.network.topology import chain
from fit.records.run import Array

LAG_SD_S = 3.0  # thermocouple and reader: none to a few seconds
LEAST_LAG_S, LONGEST_LAG_S = 0.02, 20.0
LEFT_OVER_SD_K = 20.0  # of earlier heat, where the record begins warm
MOST_STARTS, MOST_STEPS, HOPELESS_STEPS = 6, 50, 15
LEAST_INFLATION = 0.3
SMALL_GAIN = 0.02  # of the weighted sum of squares
EASED, EASED_AGAIN = 6.0, 2.0  # damping after a step taken at the first try, and at a later one
LEAST_PROMISE = 0.01  # of a step, below which none is worth a try
LONGEST_REACH = 2.0  # of ln R: its 95 % interval is followed so far
HIDDEN_S, LN_HIDDEN_SD = 0.5, 1.5  # time constant of a chip and its package, a factor of 4 or so
LN_VALUE_SD = 3.0  # a resistance or a capacity is known to a factor of twenty before the run


@dataclass(frozen=True)
class Ladder:
    """A fitted ladder: spans from the first measured node to the reference."""

    R_K_per_W: Array  # (m,) between measured nodes, the reference last
    covariance: Array  # (m, m) [(K/W)^2]
    covariance_known_offset: Array  # the same, had the zero-power offsets been known
    C_J_per_K: Array  # (m,) or (m + 1,) with the hidden lump first
    hidden: int  # lumps above the first measured node
    cost: float
    inflation: float  # of a white-noise variance: scale and correlation of the residuals
    parameters: int
    tau_s: Array
    g: Array  # where the search ended, with the prior it had: mean and standard deviation
    mean: Array
    sd: Array


@dataclass(frozen=True)
class Minimum:
    """Where a search ended."""

    g: Array  # (size,) ln R, ln C, lags, edge
    cost: float
    J: Array  # (c, m, size) of the rise, not weighted
    residual: Array  # (c, m) weighted, independent from node to node


def fit_ladder(
    record: CellRecord,
    spans: Array,
    moments: Array,
    *,
    slowest_s: float,
    hidden: int,
    enough: Callable[[list[Ladder]], bool],
    begin: Ladder | None = None,
) -> list[Ladder]:
    """Minima found from several starts, until they are `enough`; the lowest is exact.

    spans: (m,) first guesses [K/W]. moments: (m,) Σ_k a_jk τ_k of the general fit [K s/W].
    slowest_s: first guess of the slowest time constant [s]. begin: a ladder without the hidden
    lump to start from.
    """
    model = LadderModel(record, hidden, interpolated=True)
    floor = 0.02 * np.abs(spans).max()
    R = np.maximum(spans, floor)
    transfer = _resistances(record, R)
    random = np.random.default_rng(7)
    found: list[Ladder] = []
    for number in range(MOST_STARTS):
        scale = slowest_s * (1.0, 0.3, 3.0)[number % 3]
        pattern = np.exp(random.normal(0.0, 1.5 if number else 0.0, len(R)))
        C = scale / transfer.max() * pattern / pattern.sum()
        lag_s = LAG_SD_S * random.uniform(0.05, 1.2, len(R) + 1)
        if number in (0, MOST_STARTS - 1):
            C, lag_s = _capacities(transfer, moments), np.full(len(R) + 1, 0.3 * LAG_SD_S)
        g, mean, sd = _start(record, hidden, R, C, lag_s)
        if number == 0 and begin is not None:
            g = _with_hidden(g, begin, model)
        good = min((ladder.cost for ladder in found), default=np.inf)
        if number:
            # A start far off is led in: the noise taken thirty times as large, then five times.
            for ease in (1 / 30, 1 / 5):
                g = minimise(model, g, mean, sd, good_cost=np.inf, ease=ease).g
        found.append(ladder_at(model, mean, sd, minimise(model, g, mean, sd, good_cost=good)))
        if enough(found):
            break
    found.sort(key=lambda ladder: ladder.cost)
    found[0] = exact(record, found[0])
    return found


def exact(record: CellRecord, ladder: Ladder) -> Ladder:
    """A ladder found by interpolated filters, at the minimum of the exact ones."""
    model = LadderModel(record, ladder.hidden)
    minimum = minimise(model, ladder.g, ladder.mean, ladder.sd, good_cost=np.inf)
    return ladder_at(model, ladder.mean, ladder.sd, minimum)


def _with_hidden(g: Array, ladder: Ladder, model: LadderModel) -> Array:
    """The start g of a ladder with a hidden lump, all else as in the ladder without."""
    n = model.m
    g = g.copy()
    g[1 : n + 1], g[n + 2 : 2 * n + 2] = ladder.g[:n], ladder.g[n : 2 * n]
    g[model.lags] = ladder.g[2 * n : 3 * n + 1]
    if model.edge:
        g[-1] = ladder.g[-1]
    return g


def _start(
    record: CellRecord, hidden: int, R: Array, C: Array, lag_s: Array
) -> tuple[Array, Array, Array]:
    """Start g, prior mean and prior standard deviation."""
    m = len(R)
    if hidden:
        # In the place of the hidden lump's capacity stands its time constant.
        R, C = np.insert(R, 0, R.sum() * 0.3), np.insert(C, 0, HIDDEN_S)
    edge = [-0.5 * record.scan_s] if record.edge_free else []
    left_over = np.zeros(len(R) * record.hot_start)
    g = np.concatenate((np.log(R), np.log(C), lag_s, left_over, edge))
    sd = np.full(len(g), LN_VALUE_SD)
    if hidden:
        sd[len(R)] = LN_HIDDEN_SD
    lags = slice(2 * len(R), 2 * len(R) + m + 1)
    sd[lags] = LAG_SD_S
    sd[2 * len(R) + m + 1 : 2 * len(R) + m + 1 + len(left_over)] = LEFT_OVER_SD_K
    mean = g.copy()
    mean[lags] = 0.0
    if record.edge_free:
        sd[-1] = 0.5 * record.scan_s
    return g, mean, sd


def _resistances(record: CellRecord, R: Array) -> Array:
    """Rise of each measured node by a watt at each (m, m), by spans R (m,) [K/W]."""
    measured = chain([*record.nodes, record.reference])
    return np.append(measured.summed(R), 0.0)[measured.meeting]


def _capacities(transfer: Array, moments: Array) -> Array:
    """Heat capacities (m,) [J/K] from first moments.

    Σ_k a_jk τ_k = Σ_i Z_ji C_i Z_i0 with Z the resistances from node to node (m, m), 0 the node
    where heat enters.
    """
    heated = transfer[:, 0]
    scale = np.abs(moments).max() / heated
    C = nnls(transfer * heated / scale[:, None], moments / scale)[0]
    return np.maximum(C, 0.01 * max(C.max(), 1e-3))


def minimise(
    model: LadderModel, g: Array, mean: Array, sd: Array, *, good_cost: float, ease: float = 1.0
) -> Minimum:
    """Levenberg-Marquardt from g, with a prior of mean and sd, the weights times `ease`."""
    record = model.record
    weight = ease * record.weight
    whitening = record.whitening
    upper = np.full(len(g), np.inf)
    lower = np.full(len(g), -np.inf)
    lower[model.lags], upper[model.lags] = LEAST_LAG_S, LONGEST_LAG_S
    if model.edge:
        lower[-1], upper[-1] = -record.scan_s, 0.0

    def at(g: Array) -> tuple[float, Array, Callable[[], Array]]:
        value, derivatives = model(g)
        residual = _centred(record.rise_K - value, weight) @ whitening
        prior = (g - mean) / sd
        return float(np.sum(residual**2) + np.sum(prior**2)), residual, derivatives

    cost, residual, derivatives = at(g)
    damping, idle = 1e-2, 0
    reach = np.ones(len(g))
    reach[model.left_over] = LEFT_OVER_SD_K
    for step_number in range(MOST_STEPS):
        if step_number == HOPELESS_STEPS and cost > 30 * good_cost:
            break
        J = derivatives()
        flat = (whitening.T @ _centred(J, weight)).reshape(-1, len(g))
        normal = flat.T @ flat + np.diag(1 / sd**2)
        gradient = -flat.T @ residual.ravel() + (g - mean) / sd**2
        held = ((g <= lower) & (gradient > 0)) | ((g >= upper) & (gradient < 0))
        free = np.flatnonzero(~held)
        normal, gradient = normal[np.ix_(free, free)], gradient[free]
        improved, easing = False, EASED
        while damping < 1e8:
            step = np.zeros(len(g))
            damped = normal + damping * np.diag(np.diagonal(normal))
            step[free] = -np.linalg.solve(damped, gradient)
            step *= min(1.0, 1.0 / (np.abs(step) / reach).max())
            moved = step[free]
            promised = -float(moved @ (2 * gradient + normal @ moved))
            if promised < LEAST_PROMISE:
                break
            trial = np.clip(g + step, lower, upper)
            new = at(trial)
            if np.isfinite(new[0]) and new[0] < cost:
                improved = True
                break
            damping, easing = 5 * damping, EASED_AGAIN
        if not improved:
            break
        gain = cost - new[0]
        g, (cost, residual, derivatives), damping = trial, new, damping / easing
        idle = idle + 1 if gain < SMALL_GAIN else 0
        if idle == 2:
            break
    return Minimum(g, cost, derivatives(), residual)


def _centred(values: Array, weight: Array) -> Array:
    """Weighted values with each node's constant projected out, (c, m, ...)."""
    w = weight.reshape(weight.shape + (1,) * (values.ndim - 2))
    scaled = w * values
    mean = (w * scaled).sum(axis=0) / (w * w).sum(axis=0)
    return scaled - w * mean


def ladder_at(model: LadderModel, mean: Array, sd: Array, minimum: Minimum) -> Ladder:
    """The ladder of one minimum; mean, sd: of the prior."""
    g = minimum.g
    n, hidden = model.lumps, model.hidden
    # Near zero a resistance is known in kelvins per watt, not by a factor: its logarithm's prior
    # must not stand in for the data.
    loose = sd.copy()
    loose[:n] = np.maximum(loose[:n], 10 * np.exp(g[:n]).sum() / np.exp(g[:n]))
    covariance, known = _covariance(model.record, minimum.J, minimum.residual, loose)
    R_fit = np.exp(g[hidden:n])
    own = model.own
    # A factor is as likely as its inverse: the interval of a badly known resistance reaches
    # further up than its slope at the minimum tells.
    spread = np.sqrt(np.maximum(np.diag(covariance)[own], 0.0))
    reach = np.clip(1.96 * spread, 1e-6, LONGEST_REACH)
    pick = np.zeros((model.m, len(covariance)))
    pick[np.arange(model.m), own] = R_fit * np.expm1(reach) / reach
    return Ladder(
        R_K_per_W=R_fit,
        covariance=pick @ covariance @ pick.T,
        covariance_known_offset=pick[:, : model.size] @ known @ pick[:, : model.size].T,
        C_J_per_K=model.capacities(g),
        hidden=hidden,
        cost=minimum.cost,
        inflation=_inflation(minimum.residual, model.size),
        parameters=model.size + model.m,
        tau_s=np.sort(np.exp(model.poles(g[None])[0][0, :n])),
        g=g,
        mean=mean,
        sd=sd,
    )


def _inflation(residual: Array, size: int) -> float:
    rho = autocorrelation(residual)
    scale = float(np.sum(residual**2)) / max(residual.size - 0.5 * size, 1.0)
    return max(scale * (1 + rho) / (1 - rho), LEAST_INFLATION)


def _covariance(record: CellRecord, J: Array, residual: Array, sd: Array) -> tuple[Array, Array]:
    """Sandwich covariance of (g, constants), and of g had the constants been known."""
    cells, m, size = J.shape
    whole = np.zeros((m, cells, size + m))
    for j in range(m):
        whole[j, :, :size] = record.weight[:, [j]] * J[:, j]
        whole[j, :, size + j] = record.weight[:, j]
    whole = np.tensordot(record.whitening.T, whole, axes=1)
    rho = autocorrelation(residual)
    # Priors carry part of the parameters: half of them are counted as fitted.
    across = residual.T @ residual / max(cells - 0.5 * size / m - 1, 1.0)
    floor = np.sqrt(np.maximum(1.0, 1.0 / np.maximum(np.diag(across), 1e-12)))
    across = across * np.outer(floor, floor)
    along = toeplitz(rho ** np.arange(cells))
    pushed = [along @ whole[j] for j in range(m)]
    meat = sum(across[i, j] * whole[i].T @ pushed[j] for i in range(m) for j in range(m))
    prior = np.diag(np.concatenate((1 / sd**2, np.zeros(m))))
    flat = whole.reshape(-1, size + m)
    normal = flat.T @ flat + prior
    bread = np.linalg.pinv(normal, hermitian=True, rcond=1e-15)
    inner = np.linalg.pinv(normal[:size, :size], hermitian=True, rcond=1e-15)
    meat = meat + prior
    return bread @ meat @ bread, inner @ meat[:size, :size] @ inner
