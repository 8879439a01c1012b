"""What most likely went wrong: hypotheses compared by the likelihood of the pattern of deviations.

Every hypothesis (nothing wrong, one cause, two at once, something unexplained) says how the
measured spans y should read, given the budget's prediction p with covariance Σ_p and the
measurement's own Σ_m:

    y ~ N(scale · p + shift, scale² Σ_p + Σ_m),

and that every span not accused is truly within its limit. Its probability is its prior times
this likelihood averaged over the sizes the cause may have (Bayes; Occam's factor comes with it).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.special import logsumexp, ndtr

from fit.advice import Advice, advise
from fit.decision import CONFORMING
from fit.hypotheses import POWER, PRIOR_UNEXPLAINED, SENSOR, Cause, Pattern, causes
from fit.record import Array

PRIOR_TWO_AT_ONCE = 0.04
UNEXPLAINED_SHARE = 0.1
UNEXPLAINED_SPREAD = 0.5  # of the predicted resistance, each span on its own
LEAD_AT = 0.7
LEAD_WITHIN_LIMITS_AT = 0.9
MENTION_AT = 0.05
LEAST_RELATIVE_U = 1e-4
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


@dataclass(frozen=True)
class Suspicion:
    """The probability of one cause and its most likely size."""

    cause: Cause
    probability: float
    size: float  # posterior mean, relative


@dataclass(frozen=True)
class Posterior:
    """How probable each explanation is; `suspicions` in order of probability."""

    nothing_wrong: float
    unexplained: float
    suspicions: tuple[Suspicion, ...]


def find_causes(pattern: Pattern, decision: str) -> tuple[Finding, ...]:
    """Findings in order of probability, the lead first; none where all is in budget.

    A path that conforms has no high resistance to explain. A sensor or the power reading is then
    still named if it is very probable: it can hide a fault as well as feign one.

    Args:
        pattern: measured and predicted spans.
        decision: the overall decision.
    """
    conforming = decision == CONFORMING
    lead_at = LEAD_WITHIN_LIMITS_AT if conforming else LEAD_AT
    findings: list[Finding] = []
    for suspicion in weigh(pattern).suspicions:
        if suspicion.probability < MENTION_AT:
            break
        if conforming and suspicion.cause.kind not in (SENSOR, POWER):
            continue
        lead = not findings and suspicion.probability >= lead_at
        if conforming and not findings and not lead:
            return ()
        findings.append(_finding(pattern, suspicion, lead))
    return tuple(findings)


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


def weigh(pattern: Pattern) -> Posterior:
    """Probability of every cause, from the pattern of the spans' deviations."""
    single = causes(pattern)
    likelihood = _Likelihood(pattern)
    log_single = [likelihood.over_sizes(cause) for cause in single]
    pairs = list(combinations(range(len(single)), 2))
    pair_mass = sum(single[a].prior * single[b].prior for a, b in pairs)

    log_joint = [np.log(_prior_nothing(single)) + likelihood.nothing()]
    log_joint.append(np.log(PRIOR_UNEXPLAINED) + likelihood.unexplained())
    log_joint += [
        np.log(cause.prior) + logsumexp(log + np.log(cause.weight))
        for cause, log in zip(single, log_single, strict=True)
    ]
    log_joint += [
        np.log(PRIOR_TWO_AT_ONCE * single[a].prior * single[b].prior / pair_mass)
        + likelihood.of_pair(single[a], single[b])
        for a, b in pairs
    ]
    probability = np.exp(np.array(log_joint) - logsumexp(log_joint))
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
    log_weight = log_likelihood + np.log(cause.weight)
    return float(np.exp(log_weight - logsumexp(log_weight)) @ cause.size)


class _Likelihood:
    """Log-likelihoods of one pattern; covariances that repeat are factored once."""

    def __init__(self, pattern: Pattern) -> None:
        self.pattern = pattern
        # Exactly known values would make the covariance singular.
        floor = np.diag((LEAST_RELATIVE_U * pattern.predicted_K_per_W) ** 2)
        self._measured_covariance = pattern.measured_covariance + floor
        prior_u = np.sqrt(np.diag(pattern.predicted_covariance))
        self._prior_inside = _log_inside(pattern.limit_K_per_W - pattern.predicted_K_per_W, prior_u)
        self._factors: dict[float, tuple] = {}

    def nothing(self) -> float:
        shift = np.zeros((1, len(self.pattern.measured_K_per_W)))
        return float(self._spans(1.0, shift, frozenset())[0] + self._slow(shift[:, :-1])[0])

    def unexplained(self) -> float:
        """Every span free to lie anywhere, each on its own."""
        pattern = self.pattern
        spread = np.diag((UNEXPLAINED_SPREAD * pattern.predicted_K_per_W) ** 2)
        covariance = pattern.predicted_covariance + self._measured_covariance + spread
        residual = pattern.measured_K_per_W - pattern.predicted_K_per_W
        slow = 0.0
        if pattern.slow is not None:
            spread = UNEXPLAINED_SHARE**2 * np.eye(len(pattern.slow.share))
            slow_residual = pattern.slow.share - pattern.slow.expected
            slow = _log_normal(slow_residual, pattern.slow.covariance + spread)[0]
        return float(_log_normal(residual, covariance)[0] + slow)

    def over_sizes(self, cause: Cause) -> Array:
        """Log-likelihood of a cause at each of its sizes (G,)."""
        result = np.empty(len(cause.size))
        for scale in np.unique(cause.scale):
            chosen = cause.scale == scale
            result[chosen] = self._spans(scale, cause.shift_K_per_W[chosen], cause.free)
        return result + self._slow(cause.slow_shift)

    def of_pair(self, one: Cause, other: Cause) -> float:
        """Log-likelihood of two causes at once, averaged over both sizes."""
        one, other = _thinned(one), _thinned(other)
        scale = np.multiply.outer(one.scale, other.scale).ravel()
        shift_one, shift_other = one.shift_K_per_W[:, None, :], other.shift_K_per_W[None, :, :]
        # What raises the truth is seen through the other's scale; what bends a reading is not.
        if one.free:
            shift_one = shift_one * other.scale[None, :, None]
        if other.free:
            shift_other = shift_other * one.scale[:, None, None]
        shift = (shift_one + shift_other).reshape(len(scale), -1)
        weight = np.multiply.outer(one.weight, other.weight).ravel()
        logs = np.empty(len(scale))
        for value in np.unique(scale):
            chosen = scale == value
            logs[chosen] = self._spans(value, shift[chosen], one.free | other.free)
        slow_shift = one.slow_shift[:, None, :] + other.slow_shift[None, :, :]
        logs += self._slow(slow_shift.reshape(len(scale), -1))
        return float(logsumexp(logs + np.log(weight)))

    def _slow(self, shift: Array) -> Array:
        """Log-likelihood of the slow shares, for shifts (G, s - 1)."""
        slow = self.pattern.slow
        if slow is None:
            return np.zeros(len(shift))
        return _log_normal(slow.share - slow.expected - shift, slow.covariance)

    def _spans(self, scale: float, shift: Array, free: frozenset[int]) -> Array:
        """Log-likelihood of the spans at one scale, for shifts (G, s)."""
        pattern = self.pattern
        factor, log_det, gain, posterior_u = self._factored(scale)
        residual = pattern.measured_K_per_W - scale * pattern.predicted_K_per_W - shift
        whitened = cho_solve(factor, residual.T).T
        log_normal = -0.5 * (np.einsum("gs,gs->g", residual, whitened) + log_det)
        truth = pattern.predicted_K_per_W + residual @ gain.T
        inside = _log_inside(pattern.limit_K_per_W - truth, posterior_u) - self._prior_inside
        held = [i for i in range(residual.shape[1]) if i not in free]
        return log_normal + inside[:, held].sum(axis=1)

    def _factored(self, scale: float) -> tuple:
        if scale not in self._factors:
            pattern = self.pattern
            prior = pattern.predicted_covariance
            covariance = scale**2 * prior + self._measured_covariance
            factor = cho_factor(covariance, lower=True)
            log_det = 2 * np.log(np.diag(factor[0])).sum()
            gain = scale * cho_solve(factor, prior).T
            posterior = prior - scale * gain @ prior
            posterior_u = np.sqrt(np.maximum(np.diag(posterior), 0))
            self._factors[scale] = (factor, log_det, gain, posterior_u)
        return self._factors[scale]


def _thinned(cause: Cause) -> Cause:
    weight = cause.weight[::PAIR_STEP]
    return replace(
        cause,
        size=cause.size[::PAIR_STEP],
        weight=weight / weight.sum(),
        scale=cause.scale[::PAIR_STEP],
        shift_K_per_W=cause.shift_K_per_W[::PAIR_STEP],
        slow_shift=cause.slow_shift[::PAIR_STEP],
    )


def _log_inside(margin: Array, u: Array) -> Array:
    """Log-probability of lying below a limit that is `margin` away, given u."""
    return np.log(np.maximum(ndtr(margin / np.maximum(u, 1e-12)), 1e-300))


def _log_normal(residual: Array, covariance: Array) -> Array:
    """Log of the normal density without its constant, residuals (…, s)."""
    residual = np.atleast_2d(residual)
    factor = cho_factor(covariance, lower=True)
    whitened = cho_solve(factor, residual.T).T
    return -0.5 * np.einsum("gs,gs->g", residual, whitened) - np.log(np.diag(factor[0])).sum()
