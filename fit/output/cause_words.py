"""Causes in words, alternative or in addition to each other."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fit.assessment.diagnosis import Finding

ROUNDING = 1e-9  # of a sum of probabilities

HEADLINE = {
    "poor-contact": "Poor contact at the {where}",
    "high-resistance": "Too much resistance at the {where}",
    "sensor-placement": "The {where} thermocouple reads wrong",
    "power-error": "The power reading is off",
    "power-sharing": "The power reading of the {where} is off",
    "weak-cooling": "The case gives off its heat poorly",
}


def headline(finding: Finding) -> str:
    """'Poor contact at the pad'.

    Args:
        finding: one cause.

    Returns:
        The cause in a few words, without its probability.
    """
    return cause_in_words(finding.kind, finding.where)


def cause_in_words(kind: str, where: str) -> str:
    """A cause in a few words.

    Args:
        kind: of the finding.
        where: its place.

    Returns:
        The words.

    >>> cause_in_words("poor-contact", "pad")
    'Poor contact at the pad'
    """
    form = HEADLINE.get(kind, kind.replace("-", " ") + " at the {where}")
    return form.format(where=where)


def beside(findings: Sequence[Finding]) -> Iterator[tuple[str, Finding]]:
    """Each finding after the first, with its relation to those before it.

    Alternatives share one probability of 1: they sum to no more. A finding beyond that sum is
    likely in addition.

    Args:
        findings: most likely first.

    Returns:
        "or" for an alternative, "and besides" for a further cause, and the finding.

    >>> from fit.assessment.diagnosis import Finding
    >>> found = [Finding("poor-contact", "pad", 0.9, ""), Finding("weak-cooling", "air", 0.08, ""),
    ...          Finding("sensor-placement", "tab", 0.8, "")]
    >>> [word for word, _ in beside(found)]
    ['or', 'and besides']
    """
    used = findings[0].probability if findings else 0.0
    for finding in findings[1:]:
        if used + finding.probability <= 1 + ROUNDING:
            used += finding.probability
            yield "or", finding
        else:
            yield "and besides", finding
