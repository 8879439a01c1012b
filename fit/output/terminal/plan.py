"""A plan as tables a person can read."""

from __future__ import annotations

from math import isinf
from typing import TYPE_CHECKING

from fit.assessment.decision import probability_in_words
from fit.measurement.resolution import NOT_RESOLVED
from fit.notation import COVERAGE_FACTOR, UNKNOWN, digits, with_expanded
from fit.output.theme import time_unit

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from fit.planning.experiment import Plan, SpanPlan


def print_plan(console: Console, plan: Plan) -> None:
    """Print what the run will decide, span by span, and what each thermocouple is worth.

    Args:
        console: to print on.
        plan: of a run.
    """
    from rich.markup import escape

    budget, bench = plan.prediction.budget, plan.bench
    open_ones = [span for span in plan.spans if span.why]
    decided = len(plan.spans) - len(open_ones)
    console.print(
        f"[bold]{escape(budget.title or budget.path.name)}[/bold]\n"
        f"{digits(plan.prediction.power_W)} W for {duration(bench.heat_s)}, a scan every "
        f"{bench.interval_s:g} s: {decided} of {len(plan.spans)} spans will be decided, where the "
        "product is as the budget predicts.\n"
    )
    console.print(_spans(plan))
    console.print()
    if plan.thermocouples:
        console.print(_thermocouples(plan))
        console.print()
    console.print(
        "R is as predicted, per watt on this path; ± is the expanded uncertainty, k = 2, to expect "
        "at the end of heating. P conf., P not: chance that the span will be found conforming, "
        "non-conforming, over what the budget itself is unsure of. Excess found: the smallest over "
        "the budget that 95 of 100 runs find (K/W)."
    )
    for span in plan.spans:
        if span.by_voltage:
            console.print(f"{span.name}, by its forward voltage: {by_source(span)}.", markup=False)
    for warning in plan.warnings:
        console.print(f"Note: {warning}.", markup=False)


def duration(time_s: float) -> str:
    """A time in a unit that suits it.

    Args:
        time_s: the time [s].

    Returns:
        Number and unit.

    >>> duration(90.0), duration(7200.0)
    ('90 s', '120 min')
    """
    unit_s, unit = time_unit(time_s)
    return f"{time_s / unit_s:.3g} {unit}"


def by_source(span: SpanPlan) -> str:
    """What a span's expanded uncertainty is made of, the largest first.

    Args:
        span: planned.

    Returns:
        A clause.
    """
    from fit.planning.experiment import WORDS

    parts = sorted(span.parts.items(), key=lambda part: -part[1])
    said = [f"{WORDS[name]} {digits(COVERAGE_FACTOR * u, 2)}" for name, u in parts if u > 0]
    return f"± {digits(COVERAGE_FACTOR * span.u_K_per_W, 2)} K/W, of which " + ", ".join(said)


def _table(title: str) -> Table:
    from rich.table import Table

    return Table(box=None, pad_edge=False, title=title, title_justify="left", title_style="bold")


def _spans(plan: Plan) -> Table:
    from rich.markup import escape

    table = _table("What will be decided")
    table.add_column("span", no_wrap=True)
    for name in ("R (K/W)", "limit", "decided after", "P conf.", "P not"):
        table.add_column(name, justify="right", no_wrap=name == "R (K/W)")
    table.add_column("excess found", justify="right")
    for span in plan.spans:
        table.add_row(
            escape(span.name),
            with_expanded(span.R_K_per_W, span.u_K_per_W) if span.resolved else NOT_RESOLVED,
            digits(span.limit_K_per_W),
            _when(span),
            probability_in_words(span.p_conforming),
            probability_in_words(span.p_non_conforming),
            digits(span.detectable_excess_K_per_W, 2) if span.resolved else UNKNOWN,
        )
    return table


def _when(span: SpanPlan) -> str:
    return "never" if span.decided_after_s is None else duration(span.decided_after_s)


def _thermocouples(plan: Plan) -> Table:
    table = _table("What each thermocouple is worth")
    table.add_column("without", no_wrap=True)
    table.add_column("", no_wrap=False)
    for one in plan.thermocouples:
        table.add_row(one.node, worth_in_words(one.worth, one.stage))
    return table


def worth_in_words(worth: float, stage: str) -> str:
    """What is lost without a thermocouple.

    Args:
        worth: factor by which the smallest excess found grows, infinite where none is found.
        stage: the stage that loses most.

    Returns:
        A clause.

    >>> worth_in_words(2.04, "pad"), worth_in_words(float("inf"), "pad")
    ('the smallest excess found in pad is 2.0 times as large', 'pad is not measured')
    >>> worth_in_words(1.01, "pad")
    'nothing is lost'
    """
    if isinf(worth):
        return f"{stage} is not measured"
    times = digits(worth, 2)
    if float(times) <= 1:
        return "nothing is lost"
    return f"the smallest excess found in {stage} is {times} times as large"
