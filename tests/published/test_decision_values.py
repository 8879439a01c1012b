"""Decisions against published values.

Inputs of the JCGM 106 examples from memory, outputs computed independently; the guard band's
false acceptance follows from the normal distribution (ISO 14253-1; JCGM 106 clause 8).
"""

from __future__ import annotations

import math

import pytest
from scipy.stats import norm

from fit.assessment.decision import (
    decide,
    normalized_error,
    probability_of_conformity,
)


@pytest.mark.parametrize(
    ("value", "u", "limits", "expected"),
    [
        (509.7, 8.6, {"lower": 490.0}, 0.98901),
        (13.6, 1.8, {"lower": 12.5, "upper": 16.3}, 0.66263),
        (-5.47, 0.05, {"upper": -5.40}, 0.91924),
    ],
)
def test_probability_of_conformity_of_jcgm_106_examples(value, u, limits, expected):
    assert probability_of_conformity(value, u, **limits) == pytest.approx(expected, abs=5e-6)


@pytest.mark.parametrize("value", [-0.4, 0.3, 1.0, 1.2, 2.5])
def test_between_two_limits_lies_what_a_normal_distribution_has_there(value):
    """JCGM 106, clause 7, by scipy.stats.norm; the value outside on either side too."""
    p = probability_of_conformity(value, 0.5, lower=0.0, upper=1.0)
    expected = norm.cdf(1.0, value, 0.5) - norm.cdf(0.0, value, 0.5)
    assert p == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("ratio", "expected"), [(1.0, 0.02275), (0.83, 0.04846), (0.0, 0.5)])
def test_value_behind_a_guard_band_is_outside_by_the_tail_that_is_left(ratio, expected):
    """The limit moved inwards by r U = 2 r u: Φ(−2r) of such values lie outside (ISO 14253-1)."""
    limit, u = 0.75, 0.02
    outside = 1 - probability_of_conformity(limit - ratio * 2 * u, u, upper=limit)
    assert outside == pytest.approx(expected, abs=5e-6)


def test_normalized_error_of_iso_17043_at_its_threshold():
    """|E_n| = 1 where the difference is the root sum of squares of both expanded uncertainties."""
    U_measured, U_predicted = 0.06, 0.08
    difference = math.hypot(U_measured, U_predicted)
    E_n = normalized_error(1.0 + difference, U_measured / 2, 1.0, U_predicted / 2)
    assert E_n == pytest.approx(1.0)


@pytest.mark.parametrize("measured", [0.5, 1.0, 2.0])
def test_normalized_error_without_any_uncertainty_is_no_number(measured):
    """0 / 0, and anything over 0: nothing to judge by, as its docstring says."""
    assert math.isnan(normalized_error(measured, 0.0, 1.0, 0.0))


def test_normalized_error_with_one_uncertainty_is_judged_by_it():
    """(1.3 - 1.0) / (2 x 0.1) = 1.5."""
    assert normalized_error(1.3, 0.0, 1.0, 0.1) == pytest.approx(1.5)
    assert normalized_error(1.3, 0.1, 1.0, 0.0) == pytest.approx(1.5)


@pytest.mark.parametrize(
    ("p", "decision"),
    [(0.95, "conforming"), (0.949, "undecided"), (0.051, "undecided"), (0.05, "non-conforming")],
)
def test_decision_rule_of_95_percent(p, decision):
    assert decide(p) == decision


def test_far_tails_keep_their_digits():
    """Φ(−10) = 7.619853024160527e-24 (Abramowitz & Stegun 26.2; computed with scipy.stats.norm)."""
    p = probability_of_conformity(10.0, 1.0, upper=0.0)
    assert p == pytest.approx(7.619853024160527e-24, rel=1e-12)


def test_exactly_known_value_is_in_or_out():
    assert probability_of_conformity(0.7, 0.0, upper=0.75) == 1.0
    assert probability_of_conformity(0.8, 0.0, upper=0.75) == 0.0
