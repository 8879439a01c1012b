"""A ladder of lumps fitted to the inner nodes: what a short record can still tell.

One heat capacity per node and one resistance per span, the reference's measured temperature at
the far end; optionally a further lump, unmeasured, where the heat enters. With far fewer
parameters than the general linear model it decides spans in a minute. It is used only where it
describes the record as well as the general model does.

    C_i dT_i/dt = (T_{i−1} − T_i)/R_{i−1} − (T_i − T_{i+1})/R_i
    modes of C^(−1/2) G C^(−1/2):   a_jk = φ_jk φ_0k τ_k,   b_jk = φ_jk φ_Lk τ_k / R_L

with 0 the node where heat enters and L the one next to the reference. Every sensor may lag: a
further first-order pole of its own, λ_j.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import toeplitz
from scipy.optimize import nnls
from scipy.stats import chi2

from fit.covariance import autocorrelation, correlation_inflation
from fit.order import Fitted
from fit.record import Array
from fit.transfer import Reduced

ADEQUATE = 1e-3  # a ladder is set aside when so bad a fit is rarer than this
LAG_SD_S = 3.0  # thermocouple and reader: none to a few seconds
LEAST_LAG_S, LONGEST_LAG_S = 0.02, 20.0
MOST_STARTS, MOST_STEPS, HOPELESS_STEPS = 6, 50, 15
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
    parameters: int
    tau_s: Array


class _Model:
    """The ladder's response on a reduced record and its derivatives."""

    def __init__(self, record: Reduced, hidden: int) -> None:
        self.record, self.hidden = record, hidden
        self.m = record.rise_K.shape[1]
        self.lumps = self.m + hidden
        self.edge = record.edge_free
        self.lags = 2 * self.lumps + np.arange(self.m + 1)  # the reference's lag last
        self.size = 2 * self.lumps + self.m + 1 + int(self.edge)

    def poles(self, g: Array) -> tuple[Array, Array, Array]:
        """ln τ of modes and lags (P,), and coefficients A, B (P, m) of both inputs."""
        n, m = self.lumps, self.m
        R, C = np.exp(g[:n]), np.exp(g[n : 2 * n])
        lag = g[self.lags]
        conductance = np.zeros((n, n))
        flow = 1 / R
        conductance[np.arange(n), np.arange(n)] = flow
        conductance[np.arange(1, n), np.arange(1, n)] += flow[:-1]
        conductance[np.arange(n - 1), np.arange(1, n)] = -flow[:-1]
        conductance[np.arange(1, n), np.arange(n - 1)] = -flow[:-1]
        root = np.sqrt(C)
        rate, vector = np.linalg.eigh(conductance / np.outer(root, root))
        tau = 1 / np.maximum(rate, 1e-12)
        phi = vector / root[:, None]
        seen = phi[self.hidden :]
        a = (seen * phi[0] * tau).T
        b = (seen * phi[-1] * tau / R[-1]).T
        apart = tau[:, None] - lag[None, :m]
        apart = np.where(np.abs(apart) < 1e-4 * tau[:, None], 1e-4 * tau[:, None], apart)
        shape = tau[:, None] / apart
        A, B = np.zeros((n + m, m)), np.zeros((n + m, m))
        A[:n] = a * shape
        B[:n] = b * (1 - lag[m] / tau[:, None]) * shape
        j = np.arange(m)
        A[n + j, j] = a.sum(axis=0) - A[:n].sum(axis=0)
        B[n + j, j] = 1 - B[:n].sum(axis=0)
        return np.concatenate((np.log(tau), np.log(lag[:m]))), A, B

    def __call__(self, g: Array) -> tuple[Array, Array]:
        """Modelled rise (c, m), constants aside, and its derivatives (c, m, size)."""
        record = self.record
        ln_tau, A, B = self.poles(g)
        tau = np.exp(ln_tau)
        f = record.filters(tau)
        p = record.cells.power[:, None]
        U, dU = f.power, f.d_power
        if self.edge:
            growth, lag = np.exp(g[-1] / tau), p - f.power
            U, dU = p - growth * lag, growth * (f.d_power + g[-1] / tau * lag)
            by_edge = (-growth / tau * lag) @ A
        V, dV = f.reference, f.d_reference
        J = np.empty((*record.rise_K.shape, self.size))
        for i in range(self.size - int(self.edge)):
            h = np.zeros(self.size)
            h[i] = 1e-5
            up, down = self.poles(g + h), self.poles(g - h)
            d_ln, dA, dB = ((x - y) / 2e-5 for x, y in zip(up, down, strict=True))
            J[:, :, i] = U @ dA + (dU * d_ln) @ A - V @ dB - (dV * d_ln) @ B
        if self.edge:
            J[:, :, -1] = by_edge
        return U @ A - V @ B, J


def _centred(values: Array, weight: Array) -> Array:
    """Weighted values with each node's constant projected out, (c, m, ...)."""
    w = weight.reshape(weight.shape + (1,) * (values.ndim - 2))
    scaled = w * values
    mean = (w * scaled).sum(axis=0) / (w * w).sum(axis=0)
    return scaled - w * mean


def _start(record: Reduced, hidden: int, R: Array, C: Array) -> tuple[Array, Array, Array]:
    """Start g, prior mean and prior standard deviation."""
    m = len(R)
    if hidden:
        R, C = np.insert(R, 0, R.sum() * 0.3), np.insert(C, 0, C[0] * 0.1)
    edge = [-0.5 * record.scan_s] if record.edge_free else []
    g = np.concatenate((np.log(R), np.log(C), np.full(m + 1, 0.3 * LAG_SD_S), edge))
    sd = np.full(len(g), LN_VALUE_SD)
    lags = slice(2 * len(R), 2 * len(R) + m + 1)
    sd[lags] = LAG_SD_S
    mean = g.copy()
    mean[lags] = 0.0
    if record.edge_free:
        sd[-1] = 0.5 * record.scan_s
    return g, mean, sd


def _minimise(
    model: _Model, g: Array, mean: Array, sd: Array, *, good_cost: float, ease: float = 1.0
) -> tuple[Array, float, Array, Array]:
    """Levenberg-Marquardt; returns g, cost, Jacobian (c, m, size) unweighted, residual weighted."""
    record = model.record
    weight = ease * record.weight
    upper = np.full(len(g), np.inf)
    lower = np.full(len(g), -np.inf)
    lower[model.lags], upper[model.lags] = LEAST_LAG_S, LONGEST_LAG_S
    if model.edge:
        lower[-1], upper[-1] = -record.scan_s, 0.0

    def at(g: Array) -> tuple[float, Array, Array]:
        value, J = model(g)
        residual = _centred(record.rise_K - value, weight)
        prior = (g - mean) / sd
        return float(np.sum(residual**2) + np.sum(prior**2)), residual, J

    cost, residual, J = at(g)
    damping = 1e-2
    for step_number in range(MOST_STEPS):
        if step_number == HOPELESS_STEPS and cost > 30 * good_cost:
            break
        flat = _centred(J, weight).reshape(-1, len(g))
        normal = flat.T @ flat + np.diag(1 / sd**2)
        gradient = -flat.T @ residual.ravel() + (g - mean) / sd**2
        held = ((g <= lower) & (gradient > 0)) | ((g >= upper) & (gradient < 0))
        free = np.flatnonzero(~held)
        normal, gradient = normal[np.ix_(free, free)], gradient[free]
        improved = False
        while damping < 1e8:
            step = np.zeros(len(g))
            damped = normal + damping * np.diag(np.diagonal(normal))
            step[free] = -np.linalg.solve(damped, gradient)
            step *= min(1.0, 1.0 / np.abs(step).max())
            trial = np.clip(g + step, lower, upper)
            new = at(trial)
            if np.isfinite(new[0]) and new[0] < cost:
                improved = True
                break
            damping *= 5
        if not improved:
            break
        gain = cost - new[0]
        g, (cost, residual, J), damping = trial, new, damping / 6
        if gain < 0.02:
            break
    return g, cost, J, residual


def fit_ladder(
    record: Reduced,
    spans: Array,
    moments: Array,
    *,
    slowest_s: float,
    hidden: int,
    good_cost: float,
) -> Ladder:
    """Fit a ladder from several starts.

    spans: (m,) first guesses [K/W]. moments: (m,) Σ_k a_jk τ_k of the
    general fit [K s/W]. slowest_s: first guess of the slowest time constant [s].
    good_cost: a weighted sum of squares below which no further start is tried.
    """
    model = _Model(record, hidden)
    floor = 0.02 * np.abs(spans).max()
    R = np.maximum(spans, floor)
    above = np.cumsum(R[::-1])[::-1]
    random = np.random.default_rng(7)
    best = None
    for number in range(MOST_STARTS):
        scale = slowest_s * (1.0, 0.3, 3.0)[number % 3]
        pattern = np.exp(random.normal(0.0, 1.5 if number else 0.0, len(R)))
        C = scale / above.max() * pattern / pattern.sum()
        if number < 2:
            C = _capacities(above, moments)
        g, mean, sd = _start(record, hidden, R, C)
        if number % 2:
            # A start far off is led in: the noise taken thirty times as large, then five times.
            for ease in (1 / 30, 1 / 5):
                g = _minimise(model, g, mean, sd, good_cost=np.inf, ease=ease)[0]
        found = _minimise(model, g, mean, sd, good_cost=good_cost)
        if best is None or found[1] < best[1] - 0.1:
            best, again = found, 0
        else:
            again += found[1] < best[1] + 0.5
        if best[1] < good_cost or again == 2:
            break
    assert best is not None
    g, cost, J, residual = best
    n = model.lumps
    # Near zero a resistance is known in kelvins per watt, not by a factor: its logarithm's prior
    # must not stand in for the data.
    loose = sd.copy()
    loose[:n] = np.maximum(loose[:n], 10 * np.exp(g[:n]).sum() / np.exp(g[:n]))
    covariance, known = _covariance(record, J, residual, loose)
    R_fit = np.exp(g[hidden:n])
    pick = np.zeros((model.m, len(covariance)))
    pick[np.arange(model.m), hidden + np.arange(model.m)] = R_fit
    return Ladder(
        R_K_per_W=R_fit,
        covariance=pick @ covariance @ pick.T,
        covariance_known_offset=pick[:, : model.size] @ known @ pick[:, : model.size].T,
        C_J_per_K=np.exp(g[n : 2 * n]),
        hidden=hidden,
        cost=cost,
        parameters=model.size + model.m,
        tau_s=np.sort(np.exp(model.poles(g)[0][:n])),
    )


def adequate_ladder(fitted: Fitted, spans: Array) -> Ladder | None:
    """The ladder for a fitted record, None where the general model describes it better.

    With and without a hidden lump above the first node; where both describe the record, each
    counts by its likelihood.
    """
    record, model = fitted.model.record, fitted.model
    if not model.powered or not model.has_reference or record.hot_start:
        return None
    general = fitted.solution
    m = record.rise_K.shape[1]
    inflation = max(correlation_inflation(general), 0.3)
    general_parameters = len(general.theta) + m * model.parameters
    moments = fitted.tau_s @ general.coefficient[model.a]
    found = []
    for hidden in (0, 1):
        parameters = 2 * (m + hidden) + 2 * m + 1
        freedom = max(general_parameters - parameters, 1)
        limit = general.cost + inflation * chi2.isf(ADEQUATE, freedom)
        ladder = fit_ladder(
            record,
            spans,
            moments,
            slowest_s=float(fitted.tau_s.max()),
            hidden=hidden,
            good_cost=limit,
        )
        if ladder.cost <= limit:
            found.append(ladder)
    if not found:
        return None
    best = min(found, key=lambda ladder: ladder.cost + 2 * inflation * ladder.hidden)
    for other in found:
        if other is not best:
            lead = other.cost - best.cost + 2 * inflation * (other.hidden - best.hidden)
            share = 1 / (1 + np.exp(min(max(lead, 0.0) / (2 * inflation), 50.0)))
            between = other.R_K_per_W - best.R_K_per_W
            extra = share * np.outer(between, between)
            best = replace(
                best,
                covariance=best.covariance + extra,
                covariance_known_offset=best.covariance_known_offset + extra,
            )
    return best


def _capacities(above: Array, moments: Array) -> Array:
    """Heat capacities (m,) [J/K] from first moments.

    Σ_k a_jk τ_k = Σ_i R_ij C_i R_i0, with R_ij the smaller of the two totals.
    """
    transfer = np.minimum(above[:, None], above[None, :]) * above
    scale = np.abs(moments).max() / above
    C = nnls(transfer / scale[:, None], moments / scale)[0]
    return np.maximum(C, 0.01 * max(C.max(), 1e-3))


def _covariance(record: Reduced, J: Array, residual: Array, sd: Array) -> tuple[Array, Array]:
    """Sandwich covariance of (g, constants), and of g had the constants been known."""
    cells, m, size = J.shape
    whole = np.zeros((m, cells, size + m))
    for j in range(m):
        whole[j, :, :size] = record.weight[:, [j]] * J[:, j]
        whole[j, :, size + j] = record.weight[:, j]
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
