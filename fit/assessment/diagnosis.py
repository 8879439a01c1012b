"""What most likely went wrong: hypotheses compared by the likelihood of the pattern of deviations.

Every hypothesis (nothing wrong, one cause, two at once, something unexplained) says how the
measured spans y should read, given the budget's prediction p with covariance Σ_p and the
measurement's own Σ_m:

    y ~ N(scale · p + shift, scale² Σ_p + Σ_m),

and that every span not accused is truly within its limit. The slow shares
(`fit.measurement.sensor_placement`) and the apparent heat capacity
(`fit.measurement.heat_capacity`) are further evidence, where a run has them. Its probability is
its prior times this likelihood averaged over the sizes the cause may have (Bayes; Occam's factor
comes with it).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from fit.assessment.advice import Advice, advise, measured_and_predicted
from fit.assessment.decision import CONFORMING, decide_all
from fit.assessment.hypotheses import (
    BESIDE,
    OVERESTIMATED,
    POOR_CONTACT,
    POWER,
    PRIOR_UNEXPLAINED,
    SENSOR,
    SHARING,
    Cause,
    Pattern,
    causes,
)
from fit.assessment.posterior import Posterior, Suspicion
from fit.records.run import Array

PRIOR_TWO_AT_ONCE = 0.04  # of any two of the causes that are alone in `PRIOR`. Ours
UNEXPLAINED_SHARE = 0.1  # of a slow share, which lies between 0 and 1. Ours
UNEXPLAINED_SPREAD = 0.5  # of the predicted resistance, each span on its own
UNEXPLAINED_CAPACITY = 0.3  # of ln C: as unsure as a capacity without its own uncertainty
UNEXPLAINED_DOUBT = 0.3  # from here on the budget's capacities are doubted before the causes. Ours
# Whom a lead sends to the wrong place loses an hour: it has to be right twice as often as not, and
# four times where nothing is over its limit. Ours; `tests.benchmarks.faults` counts it.
LEAD_AT = 0.7
LEAD_WITHIN_LIMITS_AT = 0.8  # see above
MENTION_AT = 0.05  # what is rarer than 1 in 20 only lengthens the list (as the 95 % of a decision)
LIKELIER_THAN_NOT = 0.5  # by definition
LEAST_RELATIVE_U = 1e-4  # of a span stated as exact: far below any thermocouple's share of it
PAIR_STEP = 3  # two causes at once are averaged on every third size of each


@dataclass(frozen=True)
class Finding:
    """One thing that may be wrong, with the probability that it is (alone or with another)."""

    kind: str  # poor-contact | high-resistance | sensor-placement | power-error | weak-cooling
    where: str
    probability: float
    text: str
    lead: bool = False
    steps: tuple[str, ...] = ()  # what to try on the bench, in order
    caution: str = ""


def find_causes(
    pattern: Pattern, decisions: Sequence[str], posterior: Posterior, *, settled: bool = True
) -> tuple[Finding, ...]:
    """Findings in order of probability, the lead first; none where all is in budget.

    A path that conforms has no high resistance to explain. A sensor or the power reading is then
    still named if it is very probable: it can hide a fault as well as feign one.

    Args:
        pattern: measured and predicted spans.
        decisions: on each of its spans. A stage in a span that conforms is no cause of anything.
        posterior: what explains the pattern, see `explain`.
        settled: whether the record saw the end of the rise. Before, a contact that explains the
            deviation too is not set aside for a thermocouple.
    """
    conforming = decide_all(list(decisions)) == CONFORMING
    lead_at = LEAD_WITHIN_LIMITS_AT if conforming else LEAD_AT
    by_contact = any(
        one.cause.kind == POOR_CONTACT and one.probability >= MENTION_AT
        for one in posterior.suspicions
    )
    findings: list[Finding] = []
    for suspicion in posterior.suspicions:
        if suspicion.probability < MENTION_AT:
            break
        cause = suspicion.cause
        if cause.kind == OVERESTIMATED or any(decisions[i] == CONFORMING for i in cause.free):
            continue
        lead = not findings and suspicion.probability >= lead_at
        if cause.kind == SENSOR and by_contact and not settled:
            lead = False
        if conforming and not findings and not lead:
            return ()
        findings.append(_finding(pattern, suspicion, lead))
    return tuple(findings)


def remarks(pattern: Pattern, posterior: Posterior) -> list[str]:
    """What is likely true of the spans and no finding: a budget too high, a deviation unexplained.

    Args:
        pattern: measured and predicted spans.
        posterior: what explains the pattern, see `explain`.
    """
    found = []
    for suspicion in posterior.suspicions:
        cause = suspicion.cause
        if cause.kind == OVERESTIMATED and suspicion.probability > LIKELIER_THAN_NOT:
            (i,) = cause.free
            measured, predicted = measured_and_predicted(pattern, i)
            found.append(
                f"'{cause.where}' measures {measured} K/W where the budget says {predicted} K/W: "
                "the budget may be too high there"
            )
    if posterior.unexplained > LIKELIER_THAN_NOT:
        found.append(
            "no cause known here, nor two of them, explains how the spans deviate from the budget:"
            " check the budget's nodes and stages against the product, then every thermocouple"
        )
    return found


def readings_doubted(pattern: Pattern, posterior: Posterior) -> NDArray[np.bool_]:
    """Whether each span's reading (s,) is likelier wrong than right, by more than it states.

    What JCGM 106 makes of a reading presumes that it is one. Where the thermocouples at a span,
    or the power, are likelier at fault than not, and the fault would move the span by more than
    its expanded uncertainty, there is none. A span far below its budget is explained so, or by a
    budget that is too high; what nothing explains is no measurement either.
    """
    u = np.sqrt(np.diag(pattern.measured_covariance))
    doubt = np.zeros(len(u))
    for suspicion in posterior.suspicions:
        cause, size = suspicion.cause, suspicion.size
        if cause.kind not in (SENSOR, POWER, SHARING):
            continue
        moved = cause.moved_K_per_W(size, pattern.predicted_K_per_W)
        doubt += np.where(np.abs(moved) > 2 * u, suspicion.probability, 0.0)
    apart = pattern.measured_K_per_W - pattern.predicted_K_per_W
    far = np.abs(apart) > 2 * np.sqrt(u**2 + np.diag(pattern.predicted_covariance))
    doubt += np.where(far, posterior.unexplained, 0.0)
    return np.asarray(doubt > LIKELIER_THAN_NOT)


def explain(pattern: Pattern) -> Posterior | None:
    """How probable each explanation of a pattern is; None where a span has no figure.

    Without the evidence on heat where it leaves nothing that explains all.

    That evidence rests on the budget's heat capacities; when no cause fits spans, slow shares and
    stored heat together, capacities that are wrong are likelier than a cause nobody thought of.
    """
    if not (
        np.isfinite(pattern.measured_K_per_W).all()
        and np.isfinite(pattern.measured_covariance).all()
    ):
        return None
    posterior = posterior_of(pattern)
    on_heat = pattern.slow is not None or pattern.capacity is not None
    if on_heat and posterior.unexplained > UNEXPLAINED_DOUBT:
        return posterior_of(replace(pattern, slow=None, capacity=None))
    return posterior


def _finding(pattern: Pattern, suspicion: Suspicion, lead: bool) -> Finding:
    cause = suspicion.cause
    advice: Advice = advise(pattern, cause, suspicion.size)
    return Finding(
        kind=cause.kind,
        where=cause.where,
        probability=suspicion.probability,
        text=advice.text,
        lead=lead,
        steps=advice.steps,
        caution=advice.caution,
    )


def posterior_of(pattern: Pattern) -> Posterior:
    """Probability of every cause, from the pattern of the spans' deviations."""
    single = causes(pattern)
    thinned = [_thinned(cause) for cause in single]
    # At most one cause of a pair scales the spans, so that these are all the scales there are.
    likelihood = _Likelihood(pattern, np.concatenate([cause.scale for cause in single]))
    log_single = [likelihood.over_sizes(cause) for cause in single]
    alone = [i for i, cause in enumerate(single) if not cause.other and cause.kind != OVERESTIMATED]
    pairs = list(combinations(alone, 2))
    pair_mass = sum(single[a].prior * single[b].prior for a, b in pairs)

    log_joint = [np.log(_prior_nothing(single)) + likelihood.nothing()]
    log_joint.append(np.log(PRIOR_UNEXPLAINED) + likelihood.unexplained())
    log_joint += [
        np.log(cause.prior) + _log_mean(log, cause.weight)
        for cause, log in zip(single, log_single, strict=True)
    ]
    log_joint += [
        np.log(PRIOR_TWO_AT_ONCE * single[a].prior * single[b].prior / pair_mass)
        + likelihood.of_pair(thinned[a], thinned[b])
        for a, b in pairs
    ]
    probability = np.exp(np.array(log_joint) - max(log_joint))
    probability /= probability.sum()
    marginal = probability[2 : 2 + len(single)].copy()
    for (a, b), p in zip(pairs, probability[2 + len(single) :], strict=True):
        marginal[[a, b]] += p
    suspicions = [
        Suspicion(cause, float(p), _mean_size(cause, log))
        for cause, p, log in zip(single, marginal, log_single, strict=True)
    ]
    suspicions.sort(key=lambda suspicion: -suspicion.probability)
    return Posterior(float(probability[0]), float(probability[1]), tuple(suspicions))


def _prior_nothing(single: tuple[Cause, ...]) -> float:
    return 1 - sum(cause.prior for cause in single) - PRIOR_TWO_AT_ONCE - PRIOR_UNEXPLAINED


def _mean_size(cause: Cause, log_likelihood: Array) -> float:
    likelihood = np.exp(log_likelihood - log_likelihood.max()) * cause.weight
    return float(likelihood @ cause.size / likelihood.sum())


@dataclass(frozen=True, eq=False)
class _Table:
    """Of every scale (n,): what the likelihood of the spans needs of a prior covariance."""

    precision: Array  # (n, s, s)
    log_det: Array  # (n,)
    gain: Array  # (n, s, s) from residuals to the truth
    truth_u: Array  # (n, s)
    prior_inside: Array  # (s,) log-probability of lying within the limit before any reading


class _Likelihood:
    """Log-likelihoods of one pattern, up to a constant common to all hypotheses."""

    def __init__(self, pattern: Pattern, scales: Array) -> None:
        """For hypotheses whose scales are among those given (n,)."""
        self.pattern = pattern
        # Exactly known values would make the covariance singular.
        floor = np.diag((LEAST_RELATIVE_U * pattern.predicted_K_per_W) ** 2)
        self._measured_covariance = pattern.measured_covariance + floor
        self._scales = np.unique(scales)
        self._tables: dict[frozenset[int], _Table] = {}

    def _table(self, beside: frozenset[int]) -> _Table:
        """What hypotheses share that move the spans beside an accused contact, at every scale."""
        if beside not in self._tables:
            pattern, moved = self.pattern, np.zeros(len(self.pattern.measured_K_per_W))
            moved[list(beside)] = BESIDE
            prior = pattern.predicted_covariance + np.diag((moved * pattern.predicted_K_per_W) ** 2)
            by_scale = self._scales[:, None, None]
            covariance = by_scale**2 * prior + self._measured_covariance
            precision = np.asarray(np.linalg.inv(covariance), dtype=float)
            gain = by_scale * prior @ precision
            margin = pattern.limit_K_per_W - pattern.predicted_K_per_W
            self._tables[beside] = _Table(
                precision=precision,
                log_det=np.linalg.slogdet(covariance)[1],
                gain=gain,
                truth_u=_u(prior - by_scale * gain @ prior),
                prior_inside=_log_inside(margin, _u(prior)),
            )
        return self._tables[beside]

    def nothing(self) -> float:
        """Every span as budgeted and within its limit."""
        shift = np.zeros((1, len(self.pattern.measured_K_per_W)))
        spans = self._spans(np.ones(1), shift, frozenset(), frozenset())
        return float(spans[0] + self._slow(shift[:, :-1])[0] + self._capacity(np.ones(1))[0])

    def unexplained(self) -> float:
        """Every span free to lie anywhere, each on its own."""
        pattern = self.pattern
        spread = np.diag((UNEXPLAINED_SPREAD * pattern.predicted_K_per_W) ** 2)
        covariance = pattern.predicted_covariance + self._measured_covariance + spread
        log = _log_normal(pattern.measured_K_per_W - pattern.predicted_K_per_W, covariance)[0]
        if pattern.slow is not None:
            spread = UNEXPLAINED_SHARE**2 * np.eye(len(pattern.slow.share))
            residual = pattern.slow.share - pattern.slow.expected
            log += _log_normal(residual, pattern.slow.covariance + spread)[0]
        return float(log + self._capacity(np.ones(1), UNEXPLAINED_CAPACITY)[0])

    def over_sizes(self, cause: Cause) -> Array:
        """Log-likelihood of a cause at each of its sizes (G,)."""
        spans = self._spans(cause.scale, cause.shift_K_per_W, cause.free, cause.beside)
        return spans + self._slow(cause.slow_shift) + self._capacity(cause.capacity_scale)

    def of_pair(self, one: Cause, other: Cause) -> float:
        """Log-likelihood of two causes at once, averaged over both sizes."""
        scale = np.multiply.outer(one.scale, other.scale).ravel()
        shift_one, shift_other = one.shift_K_per_W[:, None, :], other.shift_K_per_W[None, :, :]
        # What raises the truth is seen through the other's scale; what bends a reading is not.
        if one.free:
            shift_one = shift_one * other.scale[None, :, None]
        if other.free:
            shift_other = shift_other * one.scale[:, None, None]
        shift = (shift_one + shift_other).reshape(len(scale), -1)
        slow_shift = one.slow_shift[:, None, :] + other.slow_shift[None, :, :]
        logs = self._spans(scale, shift, one.free | other.free, one.beside | other.beside)
        logs += self._slow(slow_shift.reshape(len(scale), -1))
        logs += self._capacity(np.multiply.outer(one.capacity_scale, other.capacity_scale).ravel())
        return _log_mean(logs, np.multiply.outer(one.weight, other.weight).ravel())

    def _slow(self, shift: Array) -> Array:
        """Log-likelihood of the slow shares, for shifts (G, s - 1)."""
        slow = self.pattern.slow
        if slow is None:
            return np.zeros(len(shift))
        return _log_normal(slow.share - slow.expected - shift, slow.covariance)

    def _capacity(self, scale: Array, spread: float = 0.0) -> Array:
        """Log-likelihood of the apparent heat capacity (G,), for scales (G,) of it."""
        capacity = self.pattern.capacity
        if capacity is None:
            return np.zeros(len(scale))
        u = np.hypot(capacity.u, spread)
        return -0.5 * ((capacity.ln_ratio - np.log(scale)) / u) ** 2 - np.log(u)

    def _spans(
        self, scale: Array, shift: Array, free: frozenset[int], beside: frozenset[int]
    ) -> Array:
        """Log-likelihood of the spans, for scales (G,) and shifts (G, s)."""
        pattern, table = self.pattern, self._table(beside)
        which = np.searchsorted(self._scales, scale)
        residual = pattern.measured_K_per_W - scale[:, None] * pattern.predicted_K_per_W - shift
        weighted = np.einsum("gst,gt->gs", table.precision[which], residual)
        log = -0.5 * (np.einsum("gs,gs->g", residual, weighted) + table.log_det[which])
        held = [i for i in range(residual.shape[1]) if i not in free | beside]
        update = np.einsum("gst,gt->gs", table.gain[which][:, held], residual)
        margin = (pattern.limit_K_per_W - pattern.predicted_K_per_W)[held] - update
        inside = _log_inside(margin, table.truth_u[which][:, held]) - table.prior_inside[held]
        return log + inside.sum(axis=1)


def _thinned(cause: Cause) -> Cause:
    weight = cause.weight[::PAIR_STEP]
    return replace(
        cause,
        size=cause.size[::PAIR_STEP],
        weight=weight / weight.sum(),
        scale=cause.scale[::PAIR_STEP],
        shift_K_per_W=cause.shift_K_per_W[::PAIR_STEP],
        slow_shift=cause.slow_shift[::PAIR_STEP],
        capacity_scale=cause.capacity_scale[::PAIR_STEP],
    )


def _u(covariance: Array) -> Array:
    return np.sqrt(np.maximum(np.diagonal(covariance, axis1=-2, axis2=-1), 0))


def _log_inside(margin: Array, u: Array) -> Array:
    """Log-probability of lying below a limit that is `margin` away, given u."""
    return np.log(np.maximum(ndtr(margin / np.maximum(u, 1e-12)), 1e-300))


def _log_normal(residual: Array, covariance: Array) -> Array:
    """Log of the normal density without its constant, residuals (..., s)."""
    residual = np.atleast_2d(residual)
    weighted = residual @ np.linalg.inv(covariance)
    log_det = np.linalg.slogdet(covariance)[1]
    return -0.5 * (np.einsum("gs,gs->g", residual, weighted) + log_det)


def _log_mean(logs: Array, weight: Array) -> float:
    """Log of a weighted mean of exp(logs), weights that sum to 1."""
    highest = logs.max()
    return float(highest + np.log(np.exp(logs - highest) @ weight))
