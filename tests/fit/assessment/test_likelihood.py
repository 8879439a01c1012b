"""The likelihood of each explanation against densities of scipy.stats and plain conditioning."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from fit.assessment import diagnosis
from fit.assessment.diagnosis import (
    Posterior,
    Suspicion,
    _Likelihood,
    _prior_nothing,
    _thinned,
    explain,
    find_causes,
    posterior_of,
)
from fit.assessment.hypotheses import (
    OVERESTIMATED,
    CapacityEvidence,
    Cause,
    Pattern,
    SlowEvidence,
    causes,
)
from tests.fit.assessment.test_diagnosis import pattern

# Our own judgement of how often, and by how much, a deviation has a cause that is not listed.
PRIOR_TWO_AT_ONCE, PRIOR_UNEXPLAINED = 0.04, 0.01
UNEXPLAINED_SPREAD, UNEXPLAINED_SHARE, UNEXPLAINED_CAPACITY = 0.5, 0.1, 0.3
BESIDE = 0.2  # of a span's resistance, beside a contact that misses a patch
LEAST_RELATIVE_U = 1e-4
MEASURED = (3.0, 0.8, 0.75, 7.0)
SLOW_COVARIANCE = np.diag([0.004, 0.005, 0.006]) ** 2
HEAT = CapacityEvidence(0.06, 0.05, np.array([0.02, 0.03, 0.05, 0.9, 0.0]))


def witnessed() -> Pattern:
    """Spans, slow shares and stored heat, all off by something."""
    slow = SlowEvidence(
        share=np.array([0.010, 0.002, -0.004]),
        expected=np.array([0.002, 0.001, 0.003]),
        per_K_per_W=np.array([0.001, 0.002, 0.003]),
        covariance=SLOW_COVARIANCE,
    )
    unsure = np.diag((0.05 * np.array(MEASURED)) ** 2)
    return replace(pattern(MEASURED), measured_covariance=unsure, slow=slow, capacity=HEAT)


def single_size(kind: str, where: str, size: int) -> Cause:
    """One cause of one size."""
    (cause,) = (
        one
        for one in causes(witnessed())
        if (one.kind, one.where) == (kind, where) and not one.other
    )
    at = slice(size, size + 1)
    return replace(
        cause, size=cause.size[at], weight=np.ones(1), scale=cause.scale[at],
        shift_K_per_W=cause.shift_K_per_W[at], slow_shift=cause.slow_shift[at],
        capacity_scale=cause.capacity_scale[at],
    )  # fmt: skip


PAD = single_size("poor-contact", "pad", 20)
VIAS = single_size("high-resistance", "via array", 10)
BAR_LOW = single_size("sensor-placement", "bar", 5)
POWER = single_size("power-error", "power", 40)


def likelihood() -> _Likelihood:
    return _Likelihood(witnessed(), np.concatenate([np.ones(1), POWER.scale]))


def by_hand(
    scale: float,
    shift: np.ndarray,
    slow: np.ndarray,
    capacity: float,
    free: set[int],
    *,
    beside: frozenset[int] = frozenset(),
) -> float:
    """Densities of all that is read, and of every span not accused lying within its limit.

    The truth t is N(p, S_p), the reading y = scale t + shift + N(0, S_m); each limit holds for the
    truth, given the reading, over what it held for before. S_p and S_m are diagonal here.
    """
    made = witnessed()
    p, y = made.predicted_K_per_W, made.measured_K_per_W
    prior = np.diag(made.predicted_covariance).copy()
    prior[list(beside)] += (BESIDE * p[list(beside)]) ** 2
    noise = np.diag(made.measured_covariance) + (LEAST_RELATIVE_U * p) ** 2
    total = scale**2 * prior + noise
    log = float(norm.logpdf(y, scale * p + shift, np.sqrt(total)).sum())
    truth = p + scale * prior / total * (y - scale * p - shift)
    truth_u = np.sqrt(prior - scale**2 * prior**2 / total)
    for i in {0, 1, 2, 3} - free - beside:
        log += norm.logcdf(made.limit_K_per_W[i], truth[i], truth_u[i])
        log -= norm.logcdf(made.limit_K_per_W[i], p[i], np.sqrt(prior[i]))
    assert made.slow is not None
    seen = made.slow.share - made.slow.expected
    log += float(multivariate_normal.logpdf(seen, slow, SLOW_COVARIANCE))
    return log + float(norm.logpdf(HEAT.ln_ratio, np.log(capacity), HEAT.u))


NOTHING = by_hand(1.0, np.zeros(4), np.zeros(3), 1.0, set())


def test_nothing_wrong_is_every_span_as_budgeted_and_within_its_limit() -> None:
    """All densities leave out the same constant: it is found here, and taken off below."""
    left_out = 0.5 * (4 + 3 + 1) * np.log(2 * np.pi)
    assert likelihood().nothing() == pytest.approx(NOTHING + left_out, abs=1e-9)


@pytest.mark.parametrize("cause", [PAD, VIAS, BAR_LOW, POWER], ids=lambda cause: cause.where)
def test_one_cause_is_its_density_over_that_of_nothing_wrong(cause: Cause) -> None:
    expected = by_hand(
        float(cause.scale[0]),
        cause.shift_K_per_W[0],
        cause.slow_shift[0],
        float(cause.capacity_scale[0]),
        set(cause.free),
        beside=cause.beside,
    )
    found = likelihood().over_sizes(cause)[0] - likelihood().nothing()
    assert found == pytest.approx(expected - NOTHING, abs=1e-9)


@pytest.mark.parametrize(
    ("one", "other", "one_seen", "other_seen"),
    [
        (PAD, VIAS, 1.0, 1.0),
        (PAD, BAR_LOW, 1.0, 1.0),
        (PAD, POWER, POWER.scale[0], 1.0),  # what raised the truth is read by the wrong power
        (POWER, PAD, 1.0, POWER.scale[0]),
        (BAR_LOW, POWER, 1.0, 1.0),  # a bead's kelvins are in what is read
    ],
)
def test_two_causes_are_both_their_shifts_and_both_their_scales(
    one: Cause, other: Cause, one_seen: float, other_seen: float
) -> None:
    expected = by_hand(
        float(one.scale[0] * other.scale[0]),
        one_seen * one.shift_K_per_W[0] + other_seen * other.shift_K_per_W[0],
        one.slow_shift[0] + other.slow_shift[0],
        float(one.capacity_scale[0] * other.capacity_scale[0]),
        set(one.free | other.free),
        beside=one.beside | other.beside,
    )
    found = likelihood().of_pair(one, other) - likelihood().nothing()
    assert found == pytest.approx(expected - NOTHING, abs=1e-9)


def test_a_pair_of_many_sizes_is_averaged_over_all_of_them() -> None:
    two = [
        replace(cause, **{
            key: np.concatenate([getattr(cause, key), factor * getattr(cause, key)])
            for key in ("size", "shift_K_per_W", "slow_shift")
        }, weight=weight, scale=np.ones(2), capacity_scale=np.ones(2))
        for cause, factor, weight in (
            (PAD, 1.5, np.array([0.3, 0.7])), (VIAS, 2.0, np.array([0.6, 0.4])),
        )
    ]  # fmt: skip
    alone = [[replace(cause, size=cause.size[i:i + 1], weight=np.ones(1), scale=np.ones(1),
                      shift_K_per_W=cause.shift_K_per_W[i:i + 1], capacity_scale=np.ones(1),
                      slow_shift=cause.slow_shift[i:i + 1]) for i in (0, 1)]
             for cause in two]  # fmt: skip
    expected = sum(
        two[0].weight[i] * two[1].weight[j] * np.exp(likelihood().of_pair(alone[0][i], alone[1][j]))
        for i in (0, 1)
        for j in (0, 1)
    )
    assert likelihood().of_pair(*two) == pytest.approx(np.log(expected))


def test_something_unexplained_leaves_every_span_and_share_free() -> None:
    made = witnessed()
    spread = np.sqrt(
        np.diag(made.predicted_covariance + made.measured_covariance)
        + (UNEXPLAINED_SPREAD**2 + LEAST_RELATIVE_U**2) * made.predicted_K_per_W**2
    )
    log = norm.logpdf(made.measured_K_per_W, made.predicted_K_per_W, spread).sum()
    assert made.slow is not None
    share_u = np.sqrt(np.diag(SLOW_COVARIANCE) + UNEXPLAINED_SHARE**2)
    log += norm.logpdf(made.slow.share, made.slow.expected, share_u).sum()
    log += norm.logpdf(HEAT.ln_ratio, 0.0, np.hypot(HEAT.u, UNEXPLAINED_CAPACITY))
    found = likelihood().unexplained() - likelihood().nothing()
    assert found == pytest.approx(log - NOTHING, abs=1e-9)


def test_nothing_wrong_has_what_the_other_priors_leave() -> None:
    """1 - 0.18 - 0.08 - 0.12 - 0.06 - 0.08 - 0.05, less two at once and the unexplained."""
    expected = 0.43 - PRIOR_TWO_AT_ONCE - PRIOR_UNEXPLAINED
    assert _prior_nothing(causes(pattern())) == pytest.approx(expected)


def test_where_nothing_is_read_every_explanation_keeps_its_prior() -> None:
    """Readings ten thousand times as unsure as they are large tell nothing."""
    vague = pattern()
    vague = replace(vague, measured_covariance=np.diag((1e4 * vague.measured_K_per_W) ** 2))
    found = posterior_of(vague)
    single = causes(vague)
    assert found.unexplained == pytest.approx(PRIOR_UNEXPLAINED, rel=0.02)
    assert found.nothing_wrong == pytest.approx(_prior_nothing(single), rel=0.02)
    # Alone, or with any of the others: pairs are as likely as the product of their priors. Swaps
    # and budgets that are too high come alone.
    paired = [one.prior for one in single if not one.other and one.kind != OVERESTIMATED]
    mass = sum(a * b for i, a in enumerate(paired) for b in paired[:i])
    for suspicion in found.suspicions:
        own = expected = suspicion.cause.prior
        if not suspicion.cause.other and suspicion.cause.kind != OVERESTIMATED:
            expected = own + PRIOR_TWO_AT_ONCE * own * (sum(paired) - own) / mass
        assert suspicion.probability == pytest.approx(expected, rel=0.02)


def test_every_third_size_stands_for_three() -> None:
    (whole,) = (
        one
        for one in causes(pattern())
        if (one.kind, one.where) == ("sensor-placement", "bar") and not one.other
    )
    thin = _thinned(whole)
    assert thin.size.tolist() == whole.size[::3].tolist()
    assert thin.shift_K_per_W.tolist() == whole.shift_K_per_W[::3].tolist()
    assert thin.weight.sum() == pytest.approx(1.0)
    assert thin.weight[0] / thin.weight[-1] == pytest.approx(whole.weight[0] / whole.weight[-1])


@pytest.mark.parametrize("spoilt", ["value", "covariance"])
def test_a_span_that_is_no_number_has_no_explanation(spoilt: str) -> None:
    made = pattern((3.2, 1.2, 0.7, 7.5))
    assert explain(made) is not None
    (made.measured_K_per_W if spoilt == "value" else made.measured_covariance[0])[0] = np.nan
    assert explain(made) is None


def found_by(decision: str, *likely: tuple[str, str, float]) -> list[tuple[str, bool]]:
    """Where is said to be wrong, and whether it leads, for causes of given probabilities."""
    by_name = {(one.kind, one.where): one for one in causes(pattern()) if not one.other}
    suspicions = tuple(Suspicion(by_name[kind, where], p, 0.5) for kind, where, p in likely)
    decisions = ["conforming" if decision == "conforming" else "undecided"] * 4
    decisions[1] = decision
    found = find_causes(pattern(), decisions, Posterior(0.0, 0.0, suspicions))
    return [(one.where, one.lead) for one in found]


PAD_AT, BAR_AT, POWER_AT = (
    lambda p: ("poor-contact", "pad", p),
    lambda p: ("sensor-placement", "bar", p),
    lambda p: ("power-error", "power", p),
)


@pytest.mark.parametrize(("p", "leads"), [(0.69, False), (0.71, True)])
def test_a_lead_is_named_from_seventy_per_cent(p: float, leads: bool) -> None:
    assert found_by("non-conforming", PAD_AT(p)) == [("pad", leads)]


def test_what_is_rarer_than_one_in_twenty_is_not_mentioned() -> None:
    found = found_by("undecided", PAD_AT(0.8), BAR_AT(0.051), POWER_AT(0.049))
    assert found == [("pad", True), ("bar", False)]


def test_a_budget_that_is_too_high_is_no_finding() -> None:
    found = found_by("undecided", (OVERESTIMATED, "pad", 0.9), BAR_AT(0.1))
    assert found == [("bar", False)]


def test_only_the_first_leads() -> None:
    found = found_by("non-conforming", PAD_AT(0.95), BAR_AT(0.9))
    assert found == [("pad", True), ("bar", False)]


@pytest.mark.parametrize(("p", "found"), [(0.79, []), (0.81, [("bar", True)])])
def test_where_all_conforms_a_reading_is_doubted_from_eighty_per_cent(
    p: float, found: list[tuple[str, bool]]
) -> None:
    assert found_by("conforming", BAR_AT(p)) == found


def test_where_all_conforms_no_resistance_is_accused() -> None:
    found = found_by("conforming", PAD_AT(0.99), POWER_AT(0.9), BAR_AT(0.1))
    assert found == [("power", True), ("bar", False)]


@pytest.mark.parametrize(
    ("unexplained", "witnesses"), [(0.29, [(True, True)]), (0.31, [(True, True), (False, False)])]
)
def test_witnesses_that_leave_much_unexplained_are_not_heard(
    monkeypatch: pytest.MonkeyPatch, unexplained: float, witnesses: list[tuple[bool, bool]]
) -> None:
    asked: list[tuple[bool, bool]] = []

    def posterior(made: Pattern) -> Posterior:
        asked.append((made.slow is not None, made.capacity is not None))
        return Posterior(0.0, unexplained, ())

    monkeypatch.setattr(diagnosis, "posterior_of", posterior)
    assert explain(witnessed()) is not None
    assert asked == witnesses


def test_spans_alone_are_asked_once(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Pattern] = []

    def posterior(made: Pattern) -> Posterior:
        asked.append(made)
        return Posterior(0.0, 0.9, ())

    monkeypatch.setattr(diagnosis, "posterior_of", posterior)
    explain(pattern())
    assert len(asked) == 1
