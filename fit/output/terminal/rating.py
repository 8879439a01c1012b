"""A rating for people and for programs (`heatrun.rate/1`)."""

from __future__ import annotations

from dataclasses import asdict
from functools import partial
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from fit.assessment.decision import probability_in_words
from fit.measurement.resolution import RESOLVED
from fit.measurement.spans import Spans
from fit.notation import UNKNOWN, between, digits, fixed, with_expanded
from fit.output.terminal.check import STYLE, fitting
from fit.rating.pulsed_loads import DUTIES, PERIODS_S, ProfileResult
from fit.rating.rating import Estimate, LimitRating, Rating
from fit.rating.touch_limits import SHIPPED

SCHEMA = "heatrun.rate/1"
GUIDANCE = "guidance"
_WHERE_FROM = {
    "measured": "from measured spans",
    "budget": "added from the budget",
    "shared out": "shared out by the budget within a measured span",
}


def rate_document(rating: Rating) -> dict[str, Any]:
    """The rating as `heatrun.rate/1`.

    Args:
        rating: of one run.

    Returns:
        The document, of plain Python values.
    """
    return {
        "schema": SCHEMA,
        "title": rating.budget.title,
        "power_W": rating.power_W,
        "ambient_degC": rating.ambient_degC,
        "tested": {"power_W": rating.tested_power_W, "ambient_degC": rating.tested_ambient_degC},
        "nodes": {
            node.node: {"degC": node.degC.value, "u_K": node.degC.u, "basis": node.basis}
            for node in rating.nodes
        },
        "junction": _limit_document(rating.junction),
        "touch": _limit_document(rating.touch)
        | {
            "table": [asdict(row) for row in rating.touch_rows],
            "source": rating.touch_table.source,
            "confirmed": rating.touch_table.confirmed or None,
        },
        "allowable_power_W": _estimate_document(rating.allowable_power_W),
        "set_by": rating.set_by,
        "surface_scale": _estimate_document(rating.surface_scale),
        "duty": [asdict(point) for point in rating.duty],
        "profile": None if rating.profile is None else _profile_document(rating.profile),
        "missing": list(rating.missing),
        "cautions": list(rating.cautions),
        "warnings": list(rating.warnings),
    }


def _estimate_document(estimate: Estimate | None) -> dict[str, float] | None:
    return None if estimate is None else asdict(estimate)


def _limit_document(limit: LimitRating) -> dict[str, Any]:
    return {
        "node": limit.node,
        "ambient_degC": limit.ambient_degC,
        "degC": limit.degC.value,
        "u_K": limit.degC.u,
        "limit_degC": limit.limit_degC,
        "margin_K": limit.margin_K,
        "p_within": limit.p_within,
        "decision": limit.decision,
        "allowable_power_W": _estimate_document(limit.allowable_power_W),
    }


def _profile_document(result: ProfileResult) -> dict[str, Any]:
    return {
        "file": str(result.profile.path),
        "repeat": result.profile.repeat,
        "mean_W": result.profile.mean_W,
        "peak_degC": result.peak_degC,
        "peak_u_K": result.peak_u_K,
        "peak_t_s": result.peak_t_s,
        "case_peak_degC": result.skin_peak_degC,
        "allowable_factor": result.allowable_factor,
        "allowable_factor_u": result.allowable_factor_u,
        "t_s": result.t_s.tolist(),
        "power_W": result.power_W.tolist(),
        "junction_degC": result.source_degC.tolist(),
        "case_degC": result.skin_degC.tolist(),
    }


def print_rating(console: Console, rating: Rating) -> None:
    """Print allowable power, temperatures and margins, missing inputs, and the cautions.

    Args:
        console: where to.
        rating: of one run.
    """
    console.print(
        f"[bold]{escape(rating.budget.title or rating.budget.path.name)}[/]\n"
        f"{digits(rating.power_W)} W at {rating.ambient_degC:g} °C ambient, from a run at "
        f"{digits(rating.tested_power_W)} W, {rating.tested_ambient_degC:z.1f} °C"
    )
    _print_allowable(console, rating)
    if rating.surface_scale is not None:
        console.print(surface_in_words(rating))
    tables = {
        f"At {digits(rating.power_W)} W, {rating.ambient_degC:g} °C": _node_table(rating),
        "Limits": fitting(console, partial(_limit_table, rating)) if limited(rating) else None,
        f"Pulses, settled, {rating.ambient_degC:g} °C: allowable power while on, W": (
            _duty_table(rating) if rating.duty else None
        ),
        f"Touch, {rating.touch.node} ({rating.material}) at {rating.touch.degC.value:z.1f} °C with "
        f"{rating.touch.ambient_degC:g} °C ambient": _touch_table(rating),
    }
    for title, table in tables.items():
        if table is not None:
            console.print(f"\n[bold]{escape(title)}[/]")
            console.print(table)
    console.print(escape(touch_source(rating)))
    if rating.profile is not None:
        _print_profile(console, rating.profile, rating.junction, rating.touch.node)
    console.print()
    sentences = {"Missing": rating.missing, "Note": rating.warnings, "Caution": rating.cautions}
    for label, texts in sentences.items():
        for text in texts:
            console.print(f"[bold]{label}:[/] {escape(text)}")


def _print_allowable(console: Console, rating: Rating) -> None:
    first, rest = allowable_in_words(rating)
    console.print(f"[bold]{first}[/]{escape(rest)}" if rest else first)


def allowable_in_words(rating: Rating) -> tuple[str, str]:
    """The allowable power in one sentence of two parts.

    Args:
        rating: of one run.

    Returns:
        The power, and the rest of the sentence: its interval and the limit that sets it.
    """
    allowable = rating.allowable_power_W
    if allowable is None:
        return "No limit is stated, so no power can be called allowable.", ""
    limit = rating.junction if rating.set_by == rating.junction.name else rating.touch
    return f"Allowable: {digits(allowable.value)} W", (
        f", 95 % interval {between(allowable.low, allowable.high)} W; set by the "
        f"{limit.node}'s {limit.limit_degC:g} °C at {limit.ambient_degC:g} °C ambient"
    )


def surface_in_words(rating: Rating) -> str:
    """The measured heat transfer to the air compared with the budget's.

    Args:
        rating: of one run.

    Returns:
        One sentence; empty where it was not measured.
    """
    if rating.surface_scale is None:
        return ""
    return (
        f"The surface gives off {fixed(1 / rating.surface_scale.value, 2)} of the heat the budget "
        "expects of it at the same temperature."
    )


def not_rated(rating: Rating, spans: Spans) -> str:
    """Why there is no rating: the heated node's rise is not resolved.

    Args:
        rating: of one run.
        spans: as measured.

    Returns:
        One sentence; empty where the rise is resolved.
    """
    junction = rating.junction
    if junction.degC.u <= RESOLVED * abs(junction.degC.value - junction.ambient_degC):
        return ""
    ends = zip(spans.topology.links, spans.resolved, strict=True)
    names = [f"{start} to {end}" for (start, end), resolved in ends if not resolved]
    return (
        f"no rating: the record does not resolve {', '.join(names) or 'the path'}; heat longer, "
        "until the case has settled"
    )


def _table(*headings: str, words: tuple[str, ...] = ()) -> Table:
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in headings:
        table.add_column(heading, justify="left" if heading in words else "right")
    return table


def _node_table(rating: Rating) -> Table:
    table = _table("node", "°C, k = 2", "", words=("node", ""))
    for node in rating.nodes:
        table.add_row(
            escape(node.node), with_expanded(node.degC.value, node.degC.u), _WHERE_FROM[node.basis]
        )
    return table


def limited(rating: Rating) -> list[LimitRating]:
    """The nodes that have a limit.

    Args:
        rating: of one run.

    Returns:
        Those of the junction and of what is touched.
    """
    return [limit for limit in (rating.junction, rating.touch) if limit.limit_degC is not None]


def _limit_table(rating: Rating, narrow: bool = False) -> Table:
    words = ("node", "decision")
    table = _table(
        "node", "ambient\n°C", "reaches\n°C, k = 2", "limit\n°C",
        *(() if narrow else ("margin\nK",)), "p within",
        "allowable\nW, k = 2", "decision", words=words,
    )  # fmt: skip
    for limit in limited(rating):
        allowable, decision = limit.allowable_power_W, limit.decision
        if allowable is not None and decision is not None:
            table.add_row(
                escape(limit.node),
                f"{limit.ambient_degC:g}",
                with_expanded(limit.degC.value, limit.degC.u),
                f"{limit.limit_degC:g}",
                *(() if narrow else (fixed(limit.margin_K, 1, sign=True),)),
                UNKNOWN if limit.p_within is None else probability_in_words(limit.p_within),
                with_expanded(allowable.value, allowable.u),
                f"[{STYLE[decision]}]{decision}[/]",
            )
    return table


def _duty_table(rating: Rating) -> Table:
    table = _table("period", *(f"on {fixed(100 * duty, 0)} %" for duty in DUTIES))
    power = {(point.period_s, point.duty): digits(point.allowable_pulse_W) for point in rating.duty}
    for period_s in PERIODS_S:
        cells = [power.get((period_s, duty), UNKNOWN) for duty in DUTIES]
        if set(cells) != {UNKNOWN}:
            table.add_row(f"{period_s:g} s", *cells)
            if UNKNOWN in cells:
                table.caption, table.caption_justify = f"{UNKNOWN}: shorter than two scans", "left"
    return table


def _touch_table(rating: Rating) -> Table:
    table = _table(
        "standard", "contact", "limit\n°C", "p within", "decision",
        words=("standard", "contact", "decision"),
    )  # fmt: skip
    for row in rating.touch_rows:
        table.add_row(
            escape(row.standard),
            escape(row.contact),
            f"{row.limit_degC:g}",
            probability_in_words(row.p_within),
            GUIDANCE if row.decision is None else f"[{STYLE[row.decision]}]{row.decision}[/]",
        )
    return table


def touch_source(rating: Rating) -> str:
    """Where the touch limits come from, and who has confirmed them.

    Args:
        rating: of one run.

    Returns:
        One sentence.
    """
    table = rating.touch_table
    status = table.confirmed or (
        "confirmed by nobody yet, so they decide nothing: hold them against the edition in force, "
        'then write it into the table (confirmed = "edition …")'
    )
    if table.source == SHIPPED and not table.confirmed:
        status = f"written from memory, {status}"
    return f"Touch limits from {table.source}, {status}."


def _print_profile(
    console: Console, result: ProfileResult, junction: LimitRating, touched: str
) -> None:
    how = "over and over" if result.profile.repeat else "once, from cold"
    console.print(
        f"\n[bold]Profile {escape(result.profile.path.name)}[/], {how}, mean "
        f"{digits(result.profile.mean_W)} W: {escape(junction.node)} at most "
        f"{with_expanded(result.peak_degC, result.peak_u_K)} °C, "
        f"at {digits(result.peak_t_s, 4)} s; "
        f"{escape(touched)} at most {result.skin_peak_degC:z.1f} °C"
    )
    if result.allowable_factor is not None and result.allowable_factor_u is not None:
        factor = with_expanded(result.allowable_factor, result.allowable_factor_u)
        console.print(f"All its powers may be {factor} times as high before the limit is reached.")
