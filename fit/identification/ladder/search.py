"""Fitting a ladder of lumps to the inner nodes.

One heat capacity per node and one resistance per span, the reference's measured temperature at
the far end; optionally a further lump, unmeasured, where the heat enters. A short record may be
explained in more than one way: the search starts from several places.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Protocol

import numpy as np
from scipy.optimize import nnls
from scipy.special import chdtrc

from fit.identification.autocorrelation import inflation, lag_one
from fit.identification.covariance import (
    Block,
    ParameterCovariance,
    positive,
    sandwich_covariance,
)
from fit.identification.ladder.layout import ParameterLayout
from fit.identification.ladder.model import LadderModel
from fit.identification.ladder.settings import SETTINGS, SearchSettings
from fit.identification.levenberg_marquardt import Damping, Limits, Stop
from fit.identification.levenberg_marquardt import minimise as find_least
from fit.identification.pole_model import CellRecord
from fit.network.topology import chain
from fit.records.run import Array

NORMAL_95 = 1.96  # standard deviations to either side that hold 95 % of a normal distribution
# R and C of a ladder are correlated along narrow curved valleys: damped more from the start, and
# after a step that took several tries eased less, for it would have to be raised again. Ours.
DAMPING = Damping(first=1e-2, raised=5.0, eased=6.0, eased_again=2.0, most=1e8)
COUNTED = 0.5  # of the parameters that have priors: those carry part of them. Ours


@dataclass(frozen=True, eq=False)
class Prior:
    """What is known of a ladder's parameters before the run, (size,) each."""

    mean: Array
    sd: Array


@dataclass(frozen=True, eq=False)
class Ladder:
    """A fitted ladder: spans from the first measured node to the reference."""

    R_K_per_W: Array  # (m,) between measured nodes, the reference last
    contributions: Mapping[str, Array]  # "fit", "offset", "sensor_match": (m, m) each [(K/W)^2]
    C_J_per_K: Array  # (lumps,), hidden ones first
    hidden: int  # lumps above the first measured node
    cost: float
    correlation_z: float  # of each residual with the next, in standard deviations of white noise's
    inflation: float  # of a white-noise variance: scale and correlation of the residuals
    parameters: int
    tau_s: Array
    gains_p: float  # of sensors that look as far off or farther, were they as the rig states
    g: Array  # (size,) where the search ended
    prior: Prior

    @property
    def covariance(self) -> Array:
        """Sum of all contributions (m, m) [(K/W)^2]."""
        return np.sum(list(self.contributions.values()), axis=0)


@dataclass(frozen=True, eq=False)
class Trial:
    """The sum of squares of a ladder against a record, at one g."""

    theta: Array  # (size,) g
    residual: Array  # (c, m) weighted, independent from node to node
    prior_residual: Array  # (size,)
    prior: Prior
    weighted: Callable[[Array], Array]  # rises (c, m, ...) weighted and whitened, constants out
    derivatives: Callable[[], Array]  # of the rise (c, m, size)

    @cached_property
    def cost(self) -> float:
        """Sum of squares, prior included."""
        return float(np.sum(self.residual**2) + np.sum(self.prior_residual**2))

    @cached_property
    def jacobian(self) -> Array:
        """Derivatives of the rise (c, m, size), not weighted."""
        return self.derivatives()

    def normal_equations(self) -> tuple[Array, Array]:
        """JᵀJ (size, size) and Jᵀr (size,), prior included."""
        flat = self.weighted(self.jacobian).reshape(-1, len(self.theta))
        normal = flat.T @ flat + np.diag(1 / self.prior.sd**2)
        return normal, -flat.T @ self.residual.ravel() + self.prior_residual / self.prior.sd


def fit_ladder(
    record: CellRecord,
    spans: Array,
    moments: Array,
    *,
    slowest_s: float,
    hidden: int,
    enough: Callable[[list[Ladder]], bool],
    begin: Ladder | None = None,
    settings: SearchSettings = SETTINGS,
) -> list[Ladder]:
    """Minima found from several starts, until they are `enough`; the lowest is exact.

    spans: (m,) first guesses [K/W]. moments: (m,) Σ_k a_jk τ_k of the general fit [K s/W].
    slowest_s: first guess of the slowest time constant [s]. begin: a ladder without the hidden
    lump to start from.
    """
    model = LadderModel(record, hidden, interpolated=True, settings=settings)
    R = np.maximum(spans, settings.least_span * np.abs(spans).max())
    transfer = _resistances(record, R)
    random = np.random.default_rng(settings.seed)
    found: list[Ladder] = []
    for number in range(settings.most_starts):
        scale = slowest_s * settings.scales[number % len(settings.scales)]
        pattern = np.exp(random.normal(0.0, settings.ln_pattern_sd if number else 0.0, len(R)))
        C = scale / transfer.max() * pattern / pattern.sum()
        lag_s = settings.lag_s * random.uniform(*settings.lag_starts, len(R) + 1)
        if number in (0, settings.most_starts - 1):
            C = _capacities(transfer, moments, settings.least_capacity)
            lag_s = np.full(len(R) + 1, settings.lag_s)
        g, prior = _start(model, R, C, lag_s)
        if number == 0 and begin is not None:
            before = LadderModel(record, begin.hidden).layout
            g = model.layout.taken_over(g, before, begin.g)
        good = min((ladder.cost for ladder in found), default=np.inf)
        for ease in settings.eased if number else ():
            g = minimise(model, g, prior, ease=ease).theta
        found.append(ladder_at(model, minimise(model, g, prior, good_cost=good)))
        if enough(found):
            break
    found.sort(key=lambda ladder: ladder.cost)
    if found[0].cost > record.noise_cost:
        other = minimise(model, _exchanged(model.layout, found[0].g, settings), found[0].prior)
        found.append(ladder_at(model, other))
        found.sort(key=lambda ladder: ladder.cost)
    found[0] = exact(record, found[0], settings)
    return found


def _exchanged(layout: ParameterLayout, g: Array, settings: SearchSettings) -> Array:
    """g with the first sensor's lag and the time constant of its own lump in each other's place.

    What that sensor shows stays as it was, so that each has a minimum of its own; the node that the
    lump's heat goes to tells them apart.
    """
    lump, link = layout.measured[0], layout.spans[0]
    R, lag = np.exp(g[link]), layout.lags.start
    time_constant = R * layout.capacity(g)[lump]
    exchanged = g.copy()
    exchanged[lag] = np.clip(time_constant, settings.least_lag_s, settings.longest_lag_s)
    exchanged[layout.capacities.start + lump] = np.log(g[lag] / R)
    return exchanged


def exact(record: CellRecord, ladder: Ladder, settings: SearchSettings = SETTINGS) -> Ladder:
    """A ladder found by interpolated filters, at the minimum of the exact ones."""
    model = LadderModel(record, ladder.hidden, settings=settings)
    return ladder_at(model, minimise(model, ladder.g, ladder.prior))


def _start(model: LadderModel, R: Array, C: Array, lag_s: Array) -> tuple[Array, Prior]:
    """Start g and prior, from the measured nodes' R (m,), C (m,) and lags (m + 1,)."""
    layout, settings, scan_s = model.layout, model.settings, model.record.scan_s
    lumps = len(layout.topology)
    all_R, all_C = np.empty(len(layout.topology.links)), np.empty(lumps)
    all_R[layout.spans], all_C[layout.measured] = R, C
    all_R[layout.hidden_links] = settings.hidden_share * R.sum()
    all_C[layout.hidden_lumps] = settings.hidden_s / all_R[layout.hidden_links]
    g = layout.pack(all_R, all_C, lag_s, np.zeros(lumps), -0.5 * scan_s)
    mean = g.copy()
    mean[layout.lags] = settings.lag_s
    return with_known_lags(model, g, Prior(mean, prior_sd(model)))


def prior_sd(model: NetworkModel) -> Array:
    """Standard deviations (size,) of a network's parameters where only the settings know of them.

    The match of its sensors is what the rig states.
    """
    layout, settings = model.layout, model.settings
    sd = np.full(layout.size, settings.ln_value_sd)
    sd[layout.capacities][layout.hidden_lumps] = settings.ln_hidden_sd
    sd[layout.lags] = settings.lag_sd_s
    sd[layout.left_over] = settings.left_over_sd_K
    sd[layout.edge] = 0.5 * model.record.scan_s
    sd[layout.gains] = [model.record.match_u[node] for node in layout.gained]
    return sd


def with_known_lags(model: NetworkModel, g: Array, prior: Prior) -> tuple[Array, Prior]:
    """A start and a prior with the lags that the rig states, where it states any."""
    record, layout, settings = model.record, model.layout, model.settings
    g, mean, sd = g.copy(), prior.mean.copy(), prior.sd.copy()
    for at, node in enumerate((*record.nodes, record.reference), layout.lags.start):
        if node in record.lags:
            lag_s, u_s = record.lags[node]
            mean[at], sd[at] = lag_s, max(u_s, settings.least_lag_s)
            g[at] = np.clip(lag_s, settings.least_lag_s, settings.longest_lag_s)
    return g, Prior(mean, sd)


def _resistances(record: CellRecord, R: Array) -> Array:
    """Rise of each measured node by a watt at each (m, m), by spans R (m,) [K/W]."""
    measured = chain([*record.nodes, record.reference])
    return np.append(measured.summed(R), 0.0)[measured.meeting]


def _capacities(transfer: Array, moments: Array, least: float) -> Array:
    """Heat capacities (m,) [J/K] from first moments.

    Σ_k a_jk τ_k = Σ_i Z_ji C_i Z_i0 with Z the resistances from node to node (m, m), 0 the node
    where heat enters. least: of the largest capacity.
    """
    heated = transfer[:, 0]
    scale = np.abs(moments).max() / heated
    C = nnls(transfer * heated / scale[:, None], moments / scale)[0]
    return np.maximum(C, least * max(C.max(), 1e-3))


class NetworkModel(Protocol):
    """What is searched: a network's response to a record, by the parameters of a layout."""

    @property
    def record(self) -> CellRecord:
        """What is to be described."""

    @property
    def layout(self) -> ParameterLayout:
        """What the parameters mean."""

    @property
    def settings(self) -> SearchSettings:
        """Of the search."""

    def __call__(self, g: Array) -> tuple[Array, Callable[[], Array]]:
        """Modelled rise (c, m), constants aside, and what gives its derivatives (c, m, size)."""


def minimise(
    model: NetworkModel,
    g: Array,
    prior: Prior,
    *,
    good_cost: float = np.inf,
    ease: float = 1.0,
) -> Trial:
    """The least sum of squares from g (size,).

    good_cost: of the best minimum so far. ease: factor on the weights.
    """
    record, layout, settings = model.record, model.layout, model.settings
    weight, whitening = ease * record.weight, record.whitening
    limits = Limits(
        np.full(layout.size, -np.inf),
        np.full(layout.size, np.inf),
        np.full(layout.size, settings.longest_step),
    )
    limits.lower[layout.lags], limits.upper[layout.lags] = (
        settings.least_lag_s,
        settings.longest_lag_s,
    )
    limits.lower[layout.edge], limits.upper[layout.edge] = -record.scan_s, 0.0
    limits.longest[layout.left_over] = settings.left_over_sd_K
    limits.lower[layout.fault], limits.upper[layout.fault] = settings.fault_limits

    def weighted(values: Array) -> Array:
        return np.asarray(whitening.T @ _centred(values, weight))

    def at(g: Array) -> Trial:
        value, derivatives = model(g)
        residual = _centred(record.rise_K - value, weight) @ whitening
        return Trial(g, residual, (g - prior.mean) / prior.sd, prior, weighted, derivatives)

    def hopeless(steps: int, here: Trial) -> bool:
        return steps == settings.hopeless_steps and here.cost > settings.hopeless_cost * good_cost

    stop = Stop(
        absolute=settings.small_gain,
        relative=0.0,
        promise=settings.small_promise,
        idle=settings.idle_steps,
        most_steps=settings.most_steps,
    )
    return find_least(at, g, limits, rule=DAMPING, stop=stop, give_up=hopeless)


def _centred(values: Array, weight: Array) -> Array:
    """Weighted values with each node's constant projected out, (c, m, ...)."""
    w = weight.reshape(weight.shape + (1,) * (values.ndim - 2))
    scaled = w * values
    mean = (w * scaled).sum(axis=0) / (w * w).sum(axis=0)
    return scaled - w * mean


def ladder_at(model: LadderModel, found: Trial) -> Ladder:
    """The ladder of one minimum."""
    layout, settings, g = model.layout, model.settings, found.theta
    R = layout.resistance(g)
    loose = found.prior.sd.copy()
    # Near zero a resistance is known in kelvins per watt, not by a factor: its logarithm's prior
    # must not stand in for the data.
    ln_R = layout.resistances
    loose[ln_R] = np.maximum(loose[ln_R], settings.loose_prior * R.sum() / R)
    covariance = covariance_of(model.record, found, loose)
    # A factor is as likely as its inverse: the interval of a badly known resistance reaches
    # further up than its slope at the minimum says.
    spread = np.sqrt(np.maximum(np.diag(covariance.total)[layout.spans], 0.0))
    reach = np.clip(NORMAL_95 * spread, 1e-6, settings.longest_reach)
    spans = R[layout.spans]
    pick = np.zeros((model.m, len(covariance.normal)))
    pick[np.arange(model.m), layout.spans] = spans * np.expm1(reach) / reach
    gains = np.zeros(len(covariance.normal))
    gains[layout.gains] = 1 / loose[layout.gains] ** 2
    ln_tau = model.poles(g[None])[0][0, : len(layout.topology)]
    return Ladder(
        R_K_per_W=spans,
        contributions=_contributions(covariance, pick, gains),
        C_J_per_K=layout.capacity(g),
        hidden=model.hidden,
        cost=found.cost,
        correlation_z=lag_one(found.residual) * float(np.sqrt(np.count_nonzero(found.residual))),
        inflation=_inflation(found.residual, layout.size, settings.least_inflation),
        parameters=layout.size + model.m,
        tau_s=np.sort(np.exp(ln_tau)),
        gains_p=_gains_p(covariance, found, layout.gains),
        g=g,
        prior=found.prior,
    )


def _contributions(covariance: ParameterCovariance, pick: Array, gains: Array) -> dict[str, Array]:
    """The spans' covariance by what brings it: noise, unknown offsets, the sensors' match.

    pick: (m, P) spans by all parameters. gains: (P,) precision with which gains were known
    beforehand, 0 of all others.
    """
    rest, match = covariance.split(gains)
    fit = pick @ rest.known_offset @ pick.T
    return {
        "fit": fit,
        "offset": positive(pick @ rest.total @ pick.T - fit),
        "sensor_match": pick @ match.total @ pick.T,
    }


def _gains_p(covariance: ParameterCovariance, found: Trial, gains: slice) -> float:
    """How rarely sensors as the rig states would look so far off as a fit has them.

    A record tells part of their gains: estimates scatter by what was known before less what is
    known after, and their sum of squares is near a multiple of χ² (Satterthwaite 1946). 1 where all
    of them together are within one standard uncertainty: what else is not known, lags above all,
    moves gains by a little more than the record tells of them.
    """
    cost = float(np.sum(found.prior_residual[gains] ** 2))
    if cost <= 1:
        return 1.0
    sd = found.prior.sd[gains]
    after = replace(covariance, meat=covariance.normal).total[gains, gains]
    told = np.clip(np.linalg.eigvalsh(np.eye(len(sd)) - after / np.outer(sd, sd)), 1e-9, 1.0)
    scale = np.sum(told**2) / told.sum()
    return float(chdtrc(told.sum() / scale, cost / scale))


def _inflation(residual: Array, size: int, least: float) -> float:
    scale = float(np.sum(residual**2)) / max(residual.size - COUNTED * size, 1.0)
    return max(scale * inflation(lag_one(residual)), least)


def covariance_of(record: CellRecord, found: Trial, sd: Array) -> ParameterCovariance:
    """Of (g, constants), with a prior of standard deviations sd (size,)."""
    cells, m, size = found.jacobian.shape
    whole = np.zeros((m, cells, size + m))
    for j in range(m):
        whole[j, :, :size] = record.weight[:, [j]] * found.jacobian[:, j]
        whole[j, :, size + j] = record.weight[:, j]
    whole = np.tensordot(record.whitening.T, whole, axes=1)
    every = np.arange(size + m)
    return sandwich_covariance(
        [Block(one.T, every) for one in whole],
        found.residual,
        spent=COUNTED * size / m + 1,
        precision=np.diag(np.concatenate((1 / sd**2, np.zeros(m)))),
        offsets=size + np.arange(m),
    )
