"""Conforming or not: a measured value with its uncertainty against limits (JCGM 106)."""

from __future__ import annotations

import math

CONFORMING, NON_CONFORMING, UNDECIDED = "conforming", "non-conforming", "undecided"
DECIDED_AT = 0.95
"""Probability at which a decision is made either way."""


def probability_of_conformity(
    value: float, u: float, *, lower: float = -math.inf, upper: float = math.inf
) -> float:
    """Probability that the true value lies between the limits, for a normal state of knowledge.

    p = Φ((upper − value)/u) − Φ((lower − value)/u)  (JCGM 106:2012, clause 7)

    Args:
        value: best estimate [unit of the limits].
        u: its standard uncertainty [same unit]; 0 for an exactly known value.
        lower: lower limit [same unit], −inf for none.
        upper: upper limit [same unit], +inf for none.

    Returns:
        Probability between 0 and 1.

    >>> round(probability_of_conformity(0.62, 0.02, upper=0.65), 3)
    0.933
    """
    if u <= 0:
        return float(lower <= value <= upper)
    # Tails are subtracted on the side where they are small, so that nothing cancels.
    if value > upper:
        return _tail((value - upper) / u) - _tail((value - lower) / u)
    return 1 - _tail((upper - value) / u) - _tail((value - lower) / u)


def decide(p_conforming: float) -> str:
    """The decision for a probability of conformity: conforming, non-conforming or undecided."""
    if p_conforming >= DECIDED_AT:
        return CONFORMING
    return NON_CONFORMING if p_conforming <= 1 - DECIDED_AT else UNDECIDED


def probability_in_words(p: float) -> str:
    """'0.972', never a false certainty.

    >>> probability_in_words(0.99999), probability_in_words(0.972)
    ('> 0.999', '0.972')
    """
    if p > 0.999:
        return "> 0.999"
    return "< 0.001" if p < 0.001 else f"{p:.3f}"


def decide_all(decisions: list[str]) -> str:
    """The decision for the whole: non-conforming before undecided before conforming."""
    for worst in (NON_CONFORMING, UNDECIDED):
        if worst in decisions:
            return worst
    return CONFORMING if decisions else UNDECIDED


def normalized_error(
    measured: float, u_measured: float, predicted: float, u_predicted: float
) -> float:
    """E_n = (measured − predicted) / (2·√(u_m² + u_p²)), standard uncertainties (ISO/IEC 17043).

    |E_n| ≤ 1: prediction and measurement agree within their expanded uncertainties (k = 2).
    NaN where neither has an uncertainty: there is then no measure to judge by.
    """
    expanded = 2 * math.hypot(u_measured, u_predicted)
    return (measured - predicted) / expanded if expanded > 0 else math.nan


def _tail(z: float) -> float:
    """Upper tail 1 − Φ(z) of the standard normal."""
    return 0.5 * math.erfc(z / math.sqrt(2))
