"""A verdict in plain words, for somebody who has not read the manual."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from fit.assessment.conformity import resolved_verdicts
from fit.assessment.decision import CONFORMING, DECIDED_AT, NON_CONFORMING
from fit.measurement.resolution import NOT_RESOLVED
from fit.notation import digits, with_expanded
from fit.output.cause_words import beside, headline

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fit.assessment.conformity import SpanVerdict, Verdict
    from fit.assessment.diagnosis import Finding

READS_WRONG = ("sensor-placement", "power-error", "power-sharing")
OVERALL = {
    CONFORMING: "Within budget",
    NON_CONFORMING: "Over budget",
}
NOT_DECIDED = "Not decided"
LONGER = (
    "Run again for longer, or with more power within the part's limits: the interval shrinks "
    "with both.",
    "Bring the thermocouples' match and the power's accuracy into rig.toml, from a calibration.",
)
WITHIN = "The limit lies within the interval of a measured span."
TOO_SHORT = "The record does not tell the resistance of every span."
RATE = (
    "Rate the product: allowable power, junction and touch temperature at the worst ambient. "
    "'heatrun rate RUN --budget BUDGET' also does other ambients, pulses and power profiles.",
    "Keep this run as the one later units are compared with: 'heatrun compare RUN RUN'.",
)
LOOK = (
    "Look at the span over its limit first: count its parts, measure them, compare with the "
    "budget.",
    "Check where the thermocouples on both sides of it sit, then repeat the run.",
)
CAUTIONS = (
    "Parts and case stay hot after power-off: burns begin near 48 °C on metal held for minutes. "
    "Let them cool below 40 °C before hands go near.",
    "Set voltage, current and over-voltage limits on the supply itself: a program can hang, "
    "a relay can stick.",
    "Never leave a heat run alone without a hardware cut-out (a thermal switch in the supply "
    "line) that works with the computer off.",
    "Tabs and leads may be live: insulate thermocouples from them, and mind that a grounded "
    "reader can short what it touches.",
    "Disconnect batteries before work on the heat path; never heat one along with the part.",
    "Stand the product on something that does not burn, clear of it on all sides.",
    "A resistance within its limit is not a safety approval. Local codes, the product's safety "
    "standard and licensed practice come first.",
)


@dataclass(frozen=True)
class Statement:
    """Contents of the first screen."""

    state: str  # conforming | non-conforming | undecided | none (no budget)
    decision: str
    headline: str
    text: str
    facts: tuple[str, ...]  # the spans that made the decision, one sentence each
    steps: tuple[str, ...]  # what to do next, in order
    caution: str
    others: tuple[str, ...]  # other possible causes


def state(verdict: Verdict | None) -> Statement:
    """Decision, lead cause and next steps.

    Args:
        verdict: of the run; None where no budget was given.

    Returns:
        The statement of the first screen.
    """
    if verdict is None:
        return Statement(
            "none",
            "Measured, not judged",
            "",
            "No budget was given: resistances and time constants below are as measured.",
            (),
            ("Write down what you expect: 'heatrun new DIR' makes a budget.toml to start from.",),
            "",
            (),
        )
    lead = next((finding for finding in verdict.findings if finding.lead), None)
    others = _others(verdict.findings, lead)
    decision = OVERALL.get(verdict.decision, NOT_DECIDED)
    # With a wrong thermocouple or power reading, the decision holds for the readings only.
    as_read = "as read, " if lead is not None and lead.kind in READS_WRONG else ""
    telling, unresolved = _telling(verdict)
    facts = tuple(as_read + _fact(span) for span in telling) + tuple(
        f"{span.name}: {NOT_RESOLVED} by this record" for span in unresolved
    )
    if lead is not None:
        return Statement(
            verdict.decision,
            decision,
            headline(lead),
            f"{story(lead)} Probability: {percent(lead.probability)}.",
            facts,
            lead.steps,
            lead.caution,
            others,
        )
    text, steps = {
        CONFORMING: ("Every measured span is within its limit.", RATE),
        NON_CONFORMING: ("A span is over its limit; no single cause stands out.", LOOK),
    }.get(verdict.decision, (WITHIN if telling else TOO_SHORT, LONGER))
    return Statement(verdict.decision, decision, "", text, facts, steps, "", others)


def story(finding: Finding) -> str:
    """A finding's text without the part that its headline repeats.

    Args:
        finding: one cause.

    Returns:
        The rest of its text.

    >>> from fit.assessment.diagnosis import Finding
    >>> text = "Poor contact at 'pad': 0.95 K/W measured, 0.55 K/W predicted."
    >>> story(Finding("poor-contact", "pad", 0.9, text))
    '0.95 K/W measured, 0.55 K/W predicted.'
    """
    raised = re.match(
        r"[A-Z]\w+ \w+ at '[^']*'(?: \((?P<span>.*?), which holds it\))?: (?P<rest>.*)",
        finding.text,
        re.DOTALL,
    )
    if raised:
        return f"In {raised['span']}: {raised['rest']}" if raised["span"] else raised["rest"]
    return re.sub(r"^The '[^']*' thermocouple ", "It ", finding.text)


def _others(findings: Sequence[Finding], lead: Finding | None) -> tuple[str, ...]:
    """What else it may be, or is besides."""
    listed = [] if lead is not None else [_possible(finding) for finding in findings[:1]]
    for standing, finding in beside(findings):
        listed.append(("" if standing == "or" else f"{standing}: ") + _possible(finding))
    return tuple(listed)


def _possible(finding: Finding) -> str:
    return f"{headline(finding)} ({percent(finding.probability)})"


def percent(probability: float) -> str:
    """A probability in per cent, never 0 or 100.

    Args:
        probability: 0 to 1.

    Returns:
        The words.

    >>> percent(0.9999), percent(0.874)
    ('over 99 %', '87 %')
    """
    if probability > 0.99:
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else f"{100 * probability:.0f} %"


def by_path_watt(shares: Sequence[float]) -> str:
    """Which watts a resistance is by.

    Args:
        shares: of the recorded power that takes the path, of one run or of several.

    Returns:
        The words, without a stop.

    >>> by_path_watt([0.97]), by_path_watt([1.0])
    ('per watt on this path, 0.97 of the recorded power', 'per watt on this path')
    """
    first = shares[0]
    if any(share != first for share in shares):
        return "per watt on this path, by each run's own budget"
    if first == 1.0:
        return "per watt on this path"
    return f"per watt on this path, {first:.3g} of the recorded power"


def _telling(verdict: Verdict) -> tuple[list[SpanVerdict], list[SpanVerdict]]:
    """The spans that do not conform: the measured ones, worst first; those not resolved."""
    known: list[SpanVerdict] = []
    unresolved: list[SpanVerdict] = []
    for span, resolved in zip(verdict.spans, resolved_verdicts(verdict.spans), strict=True):
        if span.measured_K_per_W is not None and span.decision != CONFORMING:
            (known if resolved else unresolved).append(span)
    return sorted(known, key=lambda span: span.p_conforming or 0.0), unresolved


def _fact(span: SpanVerdict) -> str:
    assert span.measured_K_per_W is not None
    value = with_expanded(span.measured_K_per_W, span.measured_u_K_per_W or 0.0)
    limit = f"its limit of {digits(span.limit_K_per_W)} K/W"
    if span.decision == NON_CONFORMING:
        return f"{span.name}: {value} K/W, over {limit}"
    if (span.p_conforming or 0.0) >= DECIDED_AT:
        return f"{span.name}: {value} K/W, within {limit} if it could be believed"
    return f"{span.name}: {value} K/W, not clear of {limit}"
