"""The rating of several sources in a report, in the same words as that of one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fit.errors import HeatrunError
from fit.notation import between, digits, fixed, minus, with_expanded
from fit.output.report.rating import DASH, before_it_counts
from fit.output.text import percent

if TYPE_CHECKING:
    from fit.assessment.conformity import Verdict
    from fit.measurement.branches import Branches
    from fit.rating.branches import BranchRating, SourceRating


def branch_rating_section(branches: Branches, verdict: Verdict) -> dict[str, object]:
    """Everything the template shows of the rating of several sources.

    Args:
        branches: as measured.
        verdict: of the same run.

    Returns:
        Values by the template's names; why there is no rating, where there is none.
    """
    from fit.rating.branches import rate_branches
    from fit.rating.touch_limits import read_touch_limits

    try:
        table = read_touch_limits()
        rating = rate_branches(branches, branches.budget, None, table.ambient_degC)
    except HeatrunError as error:
        return {"why_not": str(error)}
    node, ambient, degC, limit = rating.touched
    stated = "" if limit is None else f", limit {limit:g} °C"
    return {
        "why_not": "",
        "power": ", ".join(f"{one.name} {digits(one.power_W)} W" for one in rating.sources),
        "allowable": _allowable(rating),
        "first": before_it_counts(verdict),
        "limits": [_row(one, rating.ambient_degC) for one in rating.sources],
        "power_map": _power_map(rating),
        "touched": f"{node}, {with_expanded(degC.value, degC.u)} °C at {ambient:g} °C ambient"
        f"{stated}",
        "touch": [],
        "assumed": [f"{sentence[0].upper()}{sentence[1:]}." for sentence in rating.missing],
        "cautions": rating.cautions,
    }


def _power_map(rating: BranchRating) -> list[dict[str, object]]:
    """A row of powers for each of two parts; none where nothing limits them."""
    if not len(rating.power_map_W):
        return []
    rows = zip(rating.sources, rating.power_map_W.T, strict=True)
    return [{"name": one.name, "W": [fixed(float(power), 2) for power in row]} for one, row in rows]


def _allowable(rating: BranchRating) -> tuple[str, str]:
    factor = rating.common_factor
    if factor is None:
        return "No limit is stated, so no power can be called allowable.", ""
    return f"Allowable: {with_expanded(factor.value, factor.u)} times all powers together", (
        f"; at {rating.ambient_degC:g} °C ambient, and each alone as in the table, the others at"
        " theirs"
    )


def _row(source: SourceRating, ambient_degC: float) -> dict[str, str]:
    row = {
        "node": f"{source.node} ({source.name})",
        "ambient": f"{ambient_degC:g}",
        "degC": with_expanded(source.degC.value, source.degC.u),
        "limit": "not stated",
        "margin": DASH,
        "probability": DASH,
        "allowable": DASH,
        "decision": source.decision or DASH,
    }
    if source.limit_degC is not None and source.p_within is not None:
        row["limit"] = f"{source.limit_degC:g}"
        row["margin"] = minus(fixed(source.limit_degC - source.degC.value, 1, sign=True))
        row["probability"] = percent(source.p_within)
    if source.allowable_power_W is not None:
        one = source.allowable_power_W
        row["allowable"] = f"{digits(one.value)} ({between(one.low, one.high)})"
    return row
