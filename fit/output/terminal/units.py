"""Many units as a person reads them in a terminal: the yield first."""

from __future__ import annotations

from functools import partial

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from fit.assessment.decision import probability_in_words
from fit.notation import UNKNOWN, between, digits, with_expanded
from fit.output.terminal.check import STYLE, fitting
from fit.output.terminal.runs import likely_cause
from fit.statistics.conforming_share import Yield
from fit.statistics.drift import DATE, Drift
from fit.statistics.units import SpanOfUnits, Units

TOLERANCE = "tolerance"
MONTH_DAYS = 30.0  # a drift is told for as long


def print_units(console: Console, units: Units) -> None:
    """Print the yield, the distribution of every span, what drifts, and the worst units.

    Args:
        console: where to.
        units: put together.
    """
    console.print(f"[bold]{escape(yield_in_words(units.conforming))}[/]\n")
    table = fitting(console, partial(_distributions, units))
    console.print(table)
    tolerance = "Tolerance: 95 % of all units, with a confidence of 95 %. "
    console.print(
        "± is k = 2. Next unit: with a probability of 95 %. "
        f"{tolerance if any(TOLERANCE in str(one.header) for one in table.columns) else ''}"
        "Prior of the spread: half-normal, scale "
        f"{100 * units.relative_scale:g} % of the mean (--spread).\n"
    )
    for span in units.spans:
        for drift in span.drift:
            if drift.seen:
                console.print(f"[yellow]Drift:[/] {escape(drift_in_words(span, drift))}")
    if not any(drift.seen for span in units.spans for drift in span.drift):
        tested = dict.fromkeys(drift.against for span in units.spans for drift in span.drift)
        if tested:
            console.print(f"No drift seen by {escape(', '.join(tested))}.")
    console.print()
    console.print(fitting(console, partial(_worst, units)))
    if units.superseded:
        console.print(f"{units.superseded} runs of units that were run again are not counted.")
    for warning in units.warnings:
        console.print(f"[yellow]Note:[/] {escape(warning)}")


def yield_in_words(found: Yield) -> str:
    """'42 units: 39 conforming, 2 non-conforming, 1 undecided: yield 81 to 99 %'.

    Args:
        found: the yield.

    Returns:
        One sentence.

    >>> yield_in_words(Yield(39, 2, 1, 0.8052, 0.9942))
    '42 units: 39 conforming, 2 non-conforming, 1 undecided; 81 to 99 % of all units conform (95 %)'
    """
    counts = (
        f"{found.conforming} conforming, {found.non_conforming} non-conforming, "
        f"{found.undecided} undecided"
    )
    low, high = 100 * found.share_low, 100 * found.share_high
    counted = f"{found.units} unit{'' if found.units == 1 else 's'}"
    return f"{counted}: {counts}; {low:.0f} to {high:.0f} % of all units conform (95 %)"


def drift_in_words(span: SpanOfUnits, drift: Drift) -> str:
    """What one span does along a date or a label.

    Args:
        span: in all units.
        drift: of it.

    Returns:
        One sentence.
    """
    chance = f"p = {drift.p:.2g}"
    if drift.slope_K_per_W is not None and drift.slope_u_K_per_W is not None:
        by_date = drift.against == DATE
        step, over = (MONTH_DAYS, "in 30 days") if by_date else (1.0, "per unit of it")
        change = with_expanded(step * drift.slope_K_per_W, step * drift.slope_u_K_per_W)
        return f"{span.name} against {drift.against}: {change} K/W {over} ({chance})"
    lots = ", ".join(f"{lot.name} {digits(lot.mean_K_per_W)} ({lot.units})" for lot in drift.lots)
    return f"{span.name} by {drift.against}, mean in K/W (units): {lots} ({chance})"


def _distributions(units: Units, narrow: bool = False) -> Table:
    """All spans; narrow: for a terminal of 80 columns, without spread and tolerance."""
    counts = {0 if span.population is None else span.population.units for span in units.spans}
    uneven = counts != {units.conforming.units}
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("span")
    for heading in (
        *(["units"] if uneven else []), "mean\nK/W", *([] if narrow else ["spread\nK/W"]),
        "next unit\nK/W", *([] if narrow else [f"{TOLERANCE}\nK/W"]), "limit\nK/W", "next\nwithin",
    ):  # fmt: skip
        table.add_column(heading, justify="right", no_wrap=True)
    for span in units.spans:
        found, limit = span.population, span.limit_K_per_W
        name = escape(span.name)
        if found is None:
            table.add_row(name, *(["0"] if uneven else []), *[UNKNOWN] * (4 if narrow else 6))
            continue
        p = found.p_next_within
        tolerance = between(found.tolerance_low_K_per_W, found.tolerance_high_K_per_W, sign=" … ")
        table.add_row(
            name,
            *([str(found.units)] if uneven else []),
            with_expanded(found.mean_K_per_W, found.mean_u_K_per_W),
            *([] if narrow else [digits(found.spread_K_per_W, 2)]),
            between(found.next_low_K_per_W, found.next_high_K_per_W, sign=" … "),
            *([] if narrow else [tolerance]),
            digits(limit),
            UNKNOWN if p is None else probability_in_words(p),
        )
    return table


def _worst(units: Units, narrow: bool = False) -> Table:
    """The worst units; narrow: for a terminal of 80 columns, without limit and probability."""
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("worst unit")
    table.add_column("decision", no_wrap=True)
    table.add_column("span")
    for heading in ("measured\nK/W", *([] if narrow else ["limit\nK/W", "p within\nlimit"])):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("most likely")
    for one in units.worst:
        unit, span = one.unit, one.span
        limit = [digits(span.limit_K_per_W), probability_in_words(span.p_conforming or 0.0)]
        table.add_row(
            escape(unit.unit or unit.run.rsplit("/", 1)[-1]),
            f"[{STYLE[unit.decision]}]{unit.decision}[/]",
            escape(span.name),
            with_expanded(span.measured_K_per_W or 0.0, span.measured_u_K_per_W or 0.0),
            *([] if narrow else limit),
            escape(likely_cause(unit)),
        )
    return table
