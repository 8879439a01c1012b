"""The rating in a report: results of `heatrun rate`, in fewer words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from fit.assessment.decision import CONFORMING
from fit.errors import HeatrunError
from fit.notation import digits, fixed, minus, with_expanded
from fit.output.cause_words import headline
from fit.output.terminal.rating import (
    GUIDANCE,
    allowable_in_words,
    not_rated,
    surface_in_words,
    touch_source,
)
from fit.output.text import READS_WRONG, percent

if TYPE_CHECKING:
    from fit.assessment.conformity import Verdict
    from fit.rating.rating import LimitRating, Rating

DASH = "–"


@dataclass(frozen=True)
class Rated:
    """The rating of a verdict's run, or why there is none."""

    rating: Rating | None
    why_not: str = ""


def rate_verdict(verdict: Verdict) -> Rated:
    """Rate the product of a verdict, at its budget's worst ambient.

    Args:
        verdict: of one run.

    Returns:
        The rating, or the reason why there is none.
    """
    from fit.rating.rating import rate
    from fit.rating.touch_limits import read_touch_limits

    try:
        rating = rate(verdict.measured, verdict.prediction.budget, read_touch_limits())
    except HeatrunError as error:
        return Rated(None, str(error))
    why_not = not_rated(rating, verdict.measured)
    return Rated(None, why_not) if why_not else Rated(rating)


def rating_section(rated: Rated | None, verdict: Verdict | None) -> dict[str, object] | None:
    """Everything the template shows of the rating.

    Args:
        rated: the rating, if there is one.
        verdict: of the same run.

    Returns:
        Values by the template's names; None where nothing was judged.
    """
    if rated is None or verdict is None:
        return None
    rating = rated.rating
    if rating is None:
        return {"why_not": rated.why_not}
    return {
        "why_not": "",
        "power": f"{digits(rating.power_W)} W",
        "allowable": allowable_in_words(rating),
        "first": before_it_counts(verdict),
        "limits": [_limit_row(limit) for limit in (rating.junction, rating.touch)],
        "power_map": [],
        "touched": f"{rating.touch.node}, {rating.material}: "
        f"{with_expanded(rating.touch.degC.value, rating.touch.degC.u)} °C at "
        f"{rating.touch.ambient_degC:g} °C ambient",
        "touch": [
            {
                "standard": row.standard,
                "contact": row.contact,
                "limit": f"{row.limit_degC:g}",
                "probability": percent(row.p_within),
                "decision": row.decision or GUIDANCE,
            }
            for row in rating.touch_rows
        ],
        "assumed": [*_assumed(rating)],
        "cautions": rating.cautions,
    }


def before_it_counts(verdict: Verdict) -> str:
    """What must be put right before the rating is relied on.

    Args:
        verdict: of the run that was rated.

    Returns:
        A sentence or two; empty where all is in budget.
    """
    lead = next((finding for finding in verdict.findings if finding.lead), None)
    if lead is not None and lead.kind in READS_WRONG:
        return f"{headline(lead)}: this is what follows from it as read. Mend it and run again."
    if verdict.decision != CONFORMING:
        return "This is the product as it was measured. Mend it, run again, and rate that."
    return ""


def _limit_row(limit: LimitRating) -> dict[str, str]:
    row = {
        "node": limit.node,
        "ambient": f"{limit.ambient_degC:g}",
        "degC": with_expanded(limit.degC.value, limit.degC.u),
        "limit": "not stated",
        "margin": DASH,
        "probability": DASH,
        "allowable": DASH,
        "decision": limit.decision or DASH,
    }
    if limit.limit_degC is not None:
        row["limit"] = f"{limit.limit_degC:g}"
    if limit.margin_K is not None and limit.p_within is not None:
        row["margin"] = minus(fixed(limit.margin_K, 1, sign=True))
        row["probability"] = percent(limit.p_within)
    if limit.allowable_power_W is not None:
        allowed = limit.allowable_power_W
        row["allowable"] = (
            f"{digits(allowed.value)} ({digits(allowed.low)} to {digits(allowed.high)})"
        )
    return row


def _assumed(rating: Rating) -> list[str]:
    said = [
        f"A surface of bare {rating.material} ('heatrun rate --material' for others).",
        f"{surface_in_words(rating)} Its way to air is scaled to the temperatures above."
        if rating.surface_scale is not None
        else "",
        *(f"{sentence[0].upper()}{sentence[1:]}." for sentence in rating.missing),
        touch_source(rating),
    ]
    return [sentence for sentence in said if sentence]
