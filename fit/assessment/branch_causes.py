"""What most likely went wrong on a tree: every cause fitted to the record on the budget's network.

Each hypothesis h is a network whose resistances are the budget's, as uncertain as the budget says,
but for what h accuses: a resistance that may be several times as high, a bead that misses a share
of its rise, a power that reads wrong. Its probability is its prior times how well it explains the
record, over all values of its parameters (Laplace's approximation: MacKay, Information Theory,
2003, ch. 28, from memory):

    ln p(record | h) ≈ −½ (χ²/κ + Σ ((g − g_0)/sd)²) − ½ ln det H − Σ ln sd,

H the matrix of second derivatives at the minimum, κ what the best of all hypotheses leaves of
the readings over their noise: a product that is no network of lumps is not believed to the last
millikelvin.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import permutations

import numpy as np

from fit.assessment.hypotheses import (
    COOLING,
    HIGH_RESISTANCE,
    ODDS_OF_KIND,
    OTHER_ODDS,
    OVERESTIMATED,
    POOR_CONTACT,
    POWER,
    PRIOR,
    PRIOR_UNEXPLAINED,
    SENSOR,
    SHARING,
)
from fit.assessment.posterior import Posterior, Suspicion
from fit.budget.model import AMBIENT, Budget, Prediction
from fit.identification.autocorrelation import inflation, lag_one
from fit.identification.ladder.search import Prior, Trial, minimise
from fit.identification.tree.faults import Fault, FaultyModel
from fit.identification.tree.model import TreeModel
from fit.measurement.branches import Branches
from fit.records.run import Array
from fit.signals.cells import average

# Of ln R when a resistance is accused: up by a tenth to six times, every factor alike, has this
# mean and standard deviation.
LN_RAISED, LN_RAISED_SD = 0.95, 0.5
# The same, down by a tenth to two thirds: the sizes that a chain's causes have. Ours.
LN_LOWERED, LN_LOWERED_SD = -0.55, 0.3
MISSED_SD, GAIN_SD = 0.4, 0.2  # of a bead's share of its rise, of a power's error. Ours
UNEXPLAINED_LN_SD = 0.5  # of every resistance on its own, where no cause explains them
LEAST_LN_SD = 0.01  # of a resistance the budget knows exactly


@dataclass(frozen=True)
class BranchCause:
    """One thing wrong, as a network that may have it."""

    kind: str
    where: str
    prior: float
    free: frozenset[int] = frozenset()  # spans that may truly lie above their limits
    raised: tuple[int, float, float] | None = None  # link, mean and sd of the change of its ln R
    fault: Fault | None = None
    air: float | None = None  # +1: case to ambient is higher, -1: lower than budgeted
    other: str = ""
    per_size_K_per_W: tuple[float, ...] = ()  # (s,) what a size of 1 moves the spans' readings by

    @property
    def changes_network(self) -> bool:
        """Whether the fit above the last span is another by it; else only that span tells."""
        return self.air is None

    def moved_K_per_W(self, size: float, predicted_K_per_W: Array) -> Array:
        """By how much about the readings of the spans (s,) are off at a size [K/W]."""
        if not self.per_size_K_per_W:
            return np.zeros_like(predicted_K_per_W)
        return size * np.array(self.per_size_K_per_W)


@dataclass(frozen=True, eq=False)
class _Explained:
    """One hypothesis at its best."""

    trial: Trial
    size: float


def explain_branches(branches: Branches, budget: Budget, prediction: Prediction) -> Posterior:
    """How probable every explanation of a run of several sources is.

    Args:
        branches: as measured.
        budget: the tree.
        prediction: of it, at the run's powers.
    """
    causes = _with_priors(_causes(branches, budget))
    sound = branches.fitted.model.for_search
    slow = _reference_above_ambient(branches)
    mean, sd = _budgeted(branches)
    begin = mean.copy()
    hypotheses: list[BranchCause | None] = [None, _UNEXPLAINED, *causes]
    ease, prior = 1.0, Prior(mean, sd)
    begins: list[Array | None] = [None] * len(hypotheses)
    for _ in range(2):
        in_budget = _Explained(minimise(sound, _or(begins[0], begin), prior, ease=ease), 0.0)
        found = [
            _explain(one, sound, slow, prior, begin=begin, again=again, ease=ease)
            if one is not None and one.changes_network
            else in_budget
            for one, again in zip(hypotheses, begins, strict=True)
        ]
        begins = [one.trial.theta for one in found]
        kappa = min(_excess(one.trial, ease) for one in found)
        if kappa <= 1.0 or ease < 1.0:
            break
        ease = float(1 / np.sqrt(kappa))
    air = [_log_air(one, f, branches, prediction) for one, f in zip(hypotheses, found, strict=True)]
    prior_nothing = 1 - sum(cause.prior for cause in causes) - PRIOR_UNEXPLAINED
    priors = [prior_nothing, PRIOR_UNEXPLAINED, *(cause.prior for cause in causes)]
    logs = np.array([_log_evidence(f.trial) + a for f, a in zip(found, air, strict=True)])
    logs += np.log(priors)
    probability = np.exp(logs - logs.max())
    probability /= probability.sum()
    suspicions = [
        Suspicion(cause, float(p), f.size)
        for cause, p, f in zip(causes, probability[2:], found[2:], strict=True)
    ]
    return Posterior(float(probability[0]), float(probability[1]), _named_once(suspicions))


def _named_once(suspicions: Sequence[Suspicion]) -> tuple[Suspicion, ...]:
    """In order of probability; what would be said in the same words is one, as likely as all."""
    found: dict[tuple[str, str], Suspicion] = {}
    for one in sorted(suspicions, key=lambda suspicion: -suspicion.probability):
        likelier = found.setdefault((one.cause.kind, one.cause.where), one)
        if likelier is not one:
            both = likelier.probability + one.probability
            found[one.cause.kind, one.cause.where] = replace(likelier, probability=both)
    return tuple(sorted(found.values(), key=lambda suspicion: -suspicion.probability))


_UNEXPLAINED = BranchCause("unexplained", "", PRIOR_UNEXPLAINED)


def _explain(
    cause: BranchCause,
    sound: TreeModel,
    slow: Array,
    prior: Prior,
    *,
    begin: Array,
    again: Array | None,
    ease: float,
) -> _Explained:
    """A hypothesis's parameters at their best, from where they were `again`, else from `begin`."""
    mean, sd, g = prior.mean.copy(), prior.sd.copy(), begin.copy()
    if cause.fault is not None:
        model = FaultyModel(sound, cause.fault, slow, sound.settings)
        spread = MISSED_SD if cause.fault.bead is not None else GAIN_SD
        wider = Prior(np.append(mean, 0.0), np.append(sd, spread))
        trial = minimise(model, _or(again, np.append(g, 0.0)), wider, ease=ease)
        return _Explained(trial, float(trial.theta[-1]))
    if cause is _UNEXPLAINED:
        R = sound.layout.resistances
        sd[R] = np.hypot(sd[R], UNEXPLAINED_LN_SD)
    if cause.raised is None:
        return _Explained(minimise(sound, _or(again, g), Prior(mean, sd), ease=ease), 0.0)
    link, by, spread = cause.raised
    budgeted = mean[link]
    mean[link] += by
    sd[link] = np.hypot(sd[link], spread)
    g[link] = mean[link]
    trial = minimise(sound, _or(again, g), Prior(mean, sd), ease=ease)
    return _Explained(trial, float(np.expm1(trial.theta[link] - budgeted)))


def _or(again: Array | None, begin: Array) -> Array:
    return begin if again is None else again


def _excess(trial: Trial, ease: float) -> float:
    """Sum of squares over what the readings' noise and correlation leave, without easing."""
    residual = trial.residual / ease
    scale = float(np.sum(residual**2)) / max(residual.size - len(trial.theta), 1)
    return max(scale * inflation(lag_one(residual)), 1.0)


def _log_evidence(trial: Trial) -> float:
    normal, _ = trial.normal_equations()
    _, log_det = np.linalg.slogdet(normal)
    return float(-0.5 * trial.cost - 0.5 * log_det - np.log(trial.prior.sd).sum())


def _log_air(
    cause: BranchCause | None, found: _Explained, branches: Branches, prediction: Prediction
) -> float:
    """Log-likelihood of what case to ambient came to, given the budget's and the fault."""
    air = branches.air
    if air is None:
        return 0.0
    spans = branches.spans
    measured = spans.R_K_per_W[-1]
    u_m = float(np.sqrt(spans.total_covariance[-1, -1]))
    if not u_m < measured:
        return 0.0
    at = [i for i, stage in enumerate(prediction.budget.stages) if stage.to_node == AMBIENT]
    budgeted = float(prediction.R_K_per_W[at].sum())
    u_b = float(np.sqrt(max(prediction.R_covariance[np.ix_(at, at)].sum(), 0.0)))
    sizes = np.zeros(1)
    if cause is not None and cause.air is not None:
        sizes = np.expm1(np.linspace(0.1, 1.8, 40))
        sizes = sizes if cause.air > 0 else -sizes / (1 + sizes)
    expected = budgeted * (1 + sizes)
    u_scale = 1.0
    if cause is _UNEXPLAINED:
        u_b = np.hypot(u_b, 0.5 * budgeted)
    elif cause is not None and cause.fault is not None:
        if cause.fault.bead == branches.fitted.network.topology.reference:
            u_scale = 1 - found.size
        elif cause.fault.sources is not None:
            heat = branches.path_W
            off = np.array([cause.fault.sources.get(s, 0.0) for s in range(len(heat))])
            u_scale = float((heat / (1 + off * found.size)).sum() / heat.sum())
    variance = (u_scale * u_b) ** 2 + u_m**2
    log = -0.5 * (measured - u_scale * expected) ** 2 / variance - 0.5 * np.log(variance)
    return float(np.log(np.mean(np.exp(log - log.max()))) + log.max())


def _reference_above_ambient(branches: Branches) -> Array:
    """Rise of the reference above ambient in every cell (c,), 0 at the start [K]."""
    signals, record = branches.signals, branches.fitted.model.record
    columns = [signals.nodes.index(record.reference)]
    if AMBIENT in signals.nodes and record.reference != AMBIENT:
        columns.append(signals.nodes.index(AMBIENT))
    mean, _ = average(record.cells, signals.temperature_degC[:, columns])
    seen = np.isfinite(mean).all(axis=1)
    rise = mean[:, 0] - (mean[:, 1] if len(columns) > 1 else 0.0)
    filled = np.interp(record.cells.middle_s, record.cells.middle_s[seen], rise[seen])
    return np.asarray(filled - filled[0])


def _budgeted(branches: Branches) -> tuple[Array, Array]:
    """Mean and standard deviation of every parameter as the budget has them (size,)."""
    network, prior = branches.fitted.network, branches.fitted.prior
    mean, sd = prior.mean.copy(), prior.sd.copy()
    for link in range(network.tree_links):
        R = network.R_K_per_W[link]
        mean[link] = np.log(R)
        sd[link] = max(network.R_u_K_per_W[link] / R, LEAST_LN_SD)
    return mean, sd


def _causes(branches: Branches, budget: Budget) -> list[BranchCause]:
    """Everything that can be wrong, with priors relative within its kind."""
    network, spans = branches.fitted.network, branches.spans
    topology = network.topology
    starts = [start for start, _ in spans.topology.links]
    found: list[BranchCause] = []
    for link, members in enumerate(network.stages):
        start, end = topology.links[link]
        if not network.found[link]:
            continue
        span = frozenset({starts.index(start)})
        rest: list[str] = []
        odds = 0.0
        for i in members:
            stage = budget.stages[i]
            if stage.contact:
                raised = (link, LN_RAISED, LN_RAISED_SD)
                found.append(BranchCause(POOR_CONTACT, stage.name, 1.0, span, raised))
            else:
                rest.append(stage.name)
                odds += ODDS_OF_KIND.get(stage.kind, OTHER_ODDS)
        if rest and not any(budget.stages[i].contact for i in members):
            where = rest[0] if len(rest) == 1 else f"{start} to {end}"
            raised = (link, LN_RAISED, LN_RAISED_SD)
            found.append(BranchCause(HIGH_RESISTANCE, where, odds, span, raised))
        names = [budget.stages[i].name for i in members]
        where = names[0] if len(names) == 1 else f"{start} to {end}"
        lowered = (link, LN_LOWERED, LN_LOWERED_SD)
        found.append(BranchCause(OVERESTIMATED, where, 1.0, span, lowered))
    seen = branches.signals.nodes
    for node in (*topology.nodes, topology.reference):
        if node in seen and node != AMBIENT:
            moved = _missed_K_per_W(branches, node)
            found.append(
                BranchCause(SENSOR, node, 1.0, fault=Fault(bead=node), per_size_K_per_W=moved)
            )
    if branches.air is not None:
        name = next(stage.name for stage in budget.stages if stage.to_node == AMBIENT)
        last = frozenset({len(starts) - 1})
        found.append(BranchCause(COOLING, name, 1.0, last, air=1.0))
        found.append(BranchCause(OVERESTIMATED, name, 1.0, last, air=-1.0))
    count = len(budget.sources)
    off = _of_power(branches, np.ones(count))
    fault = Fault(sources=dict.fromkeys(range(count), 1.0))
    found.append(BranchCause(POWER, "power", 1.0, fault=fault, per_size_K_per_W=off))
    if count > 1:
        found += _sharing(branches, budget)
    return found


def _missed_K_per_W(branches: Branches, node: str) -> tuple[float, ...]:
    """What a bead that misses all of its node's rise takes off every span's reading (s,)."""
    spans = branches.spans
    rise = spans.final_degC[spans.nodes.index(node)] - spans.final_degC[-1]
    at = spans.topology.full_incidence[:, spans.topology.index(node)]
    return tuple((-at * rise / branches.heat_W.sum(axis=1)).tolist())


def _of_power(branches: Branches, off: Array) -> tuple[float, ...]:
    """What powers that read too high by `off` (sources,) take off every span's reading (s,)."""
    share = branches.heat_W / branches.heat_W.sum(axis=1, keepdims=True)
    return tuple((-branches.spans.R_K_per_W * (share @ off)).tolist())


def _sharing(branches: Branches, budget: Budget) -> list[BranchCause]:
    """One source's power wrong, or watts of one source read as another's."""
    found = []
    unit = np.eye(len(budget.sources))
    for s, source in enumerate(budget.sources):
        fault, moved = Fault(sources={s: 1.0}), _of_power(branches, unit[s])
        found.append(BranchCause(SHARING, source.name, 1.0, fault=fault, per_size_K_per_W=moved))
    power = branches.power_W
    for s, t in permutations(range(len(budget.sources)), 2):
        # The one whose reading is further off is named.
        if 0 < power[s] <= power[t]:
            back = float(power[s] / power[t])
            fault = Fault(sources={s: 1.0, t: -back})
            moved = _of_power(branches, unit[s] - back * unit[t])
            name = budget.sources[s].name
            found.append(BranchCause(SHARING, name, 0.5, fault=fault, per_size_K_per_W=moved))
    return found


def _with_priors(found: Sequence[BranchCause]) -> list[BranchCause]:
    """Turn relative priors within a kind into probabilities."""
    total = {kind: sum(one.prior for one in found if one.kind == kind) for kind in PRIOR}
    return [replace(one, prior=PRIOR[one.kind] * one.prior / total[one.kind]) for one in found]
