"""A verdict as a person reads it in a terminal."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from fit.assessment.advice import percent
from fit.assessment.conformity import SpanVerdict, Verdict, resolved_verdicts
from fit.assessment.decision import CONFORMING, NON_CONFORMING, UNDECIDED, probability_in_words
from fit.assessment.diagnosis import Finding
from fit.measurement.resolution import NOT_RESOLVED
from fit.notation import UNKNOWN, digits, fixed, span_name, with_expanded
from fit.output.cause_words import beside, headline
from fit.output.text import by_path_watt

STYLE = {CONFORMING: "green", NON_CONFORMING: "bold red", UNDECIDED: "yellow"}


def print_verdict(console: Console, verdict: Verdict) -> None:
    """Print one run's spans, its likely cause with what to do, time constants and warnings.

    Args:
        console: where to.
        verdict: of the run.
    """
    budget = verdict.prediction.budget
    console.print(
        f"[bold]{escape(budget.title or budget.path.name)}[/]\n"
        f"[{STYLE[verdict.decision]}]{verdict.decision}[/] at "
        f"{digits(verdict.prediction.power_W)} W, {verdict.prediction.ambient_degC:z.1f} °C"
    )
    console.print(fitting(console, partial(_span_table, verdict)))
    console.print(f"± is the expanded uncertainty, k = 2. {_whose_watts(verdict)}")
    _print_junction(console, verdict)
    _print_findings(console, verdict)
    _print_time_constants(console, verdict)
    _print_sources(console, verdict)
    for warning in verdict.warnings:
        console.print(f"[yellow]Note:[/] {escape(warning)}")


def fitting(console: Console, table: Callable[[bool], Table]) -> Table:
    """A table as wide as it likes, or without its lesser columns where the terminal is narrow.

    Args:
        console: where it will be printed.
        table: makes it; True for narrow.

    Returns:
        The table.
    """
    whole = table(False)
    boundless = console.options.update(max_width=1000)
    fits = console.measure(whole, options=boundless).maximum <= console.width
    return whole if fits else table(True)


def _span_table(verdict: Verdict, narrow: bool = False) -> Table:
    """All spans; narrow: for a terminal of 80 columns, without their nodes and E_n."""
    table = Table(box=None, pad_edge=False, header_style="bold")
    if not narrow:
        table.add_column("from – to")
    table.add_column("span")
    for heading in ("predicted\nK/W", "limit\nK/W", "measured\nK/W", "p within\nlimit"):
        table.add_column(heading, justify="right")
    if not narrow:
        table.add_column("E_n", justify="right")
    table.add_column("decision")
    for span, resolved in zip(verdict.spans, resolved_verdicts(verdict.spans), strict=True):
        nodes = escape(span_name((), span.from_node, span.to_node))
        measured, p, E_n, decision = _measured_cells(span, resolved)
        table.add_row(
            *(() if narrow else (nodes,)),
            escape(span.name),
            with_expanded(span.predicted_K_per_W, span.predicted_u_K_per_W),
            digits(span.limit_K_per_W),
            measured,
            p,
            *(() if narrow else (E_n,)),
            decision,
        )
    return table


def _print_sources(console: Console, verdict: Verdict) -> None:
    """What each of several sources warms, and whether a watt does the same both ways."""
    found = verdict.sources
    if found is None:
        return
    table = Table(
        box=None,
        pad_edge=False,
        header_style="bold",
        title="Rise per watt of",
        title_justify="left",
    )
    table.add_column("node")
    for name, power in zip(found.names, found.power_W, strict=True):
        table.add_column(f"{escape(name)}\n({digits(power)} W)", justify="right")
    for node, row in zip(found.nodes, found.matrix_K_per_W, strict=True):
        table.add_row(node, *(fixed(float(value), 2) for value in row))
    console.print()
    console.print(table)
    for a, b, z in found.reciprocity:
        agree = "agree" if abs(z) <= 2 else "do not agree: a power or a thermocouple reads wrong"
        console.print(
            f"{escape(a)} warms {escape(b)} and {escape(b)} {escape(a)} alike by reciprocity;"
            f" measured, they {agree} (z = {fixed(z, 1, sign=True)})."
        )


def _print_junction(console: Console, verdict: Verdict) -> None:
    """How the junction was read, where it was read by its forward voltage."""
    found = verdict.measured.junction
    if found is None:
        return
    K = with_expanded(found.calibration.K_mV_per_K, found.calibration.K_u_mV_per_K)
    by = "the run's own cool-down" if found.calibration.of_its_own else "stated points"
    console.print(
        f"{escape(found.node)} by its forward voltage: {K} mV/K by {by}; "
        f"{fixed(found.above_K, 2)} K above the {escape(found.tab)}, "
        f"mean of {found.windows} windows, line less cubic {fixed(found.method_K, 2, sign=True)} K."
    )


def _whose_watts(verdict: Verdict) -> str:
    if verdict.sources is not None:
        return "K/W: per watt that flows through the span."
    share = verdict.prediction.budget.conditions.path_fraction
    text = f"K/W: {by_path_watt([share])}."
    flows = [span for span in verdict.spans if span.heat_share is not None]
    if not verdict.prediction.budget.leaks or not flows:
        return text
    listed = ", ".join(f"{escape(span.stages[-1])} {fixed(span.heat_share, 2)}" for span in flows)
    return f"{text} With its side ways the budget sends through: {listed} of the recorded power."


def _measured_cells(span: SpanVerdict, resolved: bool) -> tuple[str, str, str, str]:
    if span.measured_K_per_W is None or span.measured_u_K_per_W is None:
        return UNKNOWN, UNKNOWN, UNKNOWN, "not measured"
    assert span.p_conforming is not None
    assert span.E_n is not None
    decision = f"[{STYLE[span.decision]}]{span.decision}[/]"
    if not resolved:
        # Even so a span may be known to be within its limit, or over it.
        decided = span.decision != UNDECIDED
        p = probability_in_words(span.p_conforming) if decided else UNKNOWN
        return NOT_RESOLVED, p, UNKNOWN, decision
    return (
        with_expanded(span.measured_K_per_W, span.measured_u_K_per_W),
        probability_in_words(span.p_conforming),
        fixed(span.E_n, 1, sign=True),
        decision,
    )


def _print_findings(console: Console, verdict: Verdict) -> None:
    if not verdict.findings:
        if verdict.decision != CONFORMING:
            console.print("Nothing stands out as the cause.")
        return
    first = verdict.findings[0]
    if first.lead:
        console.print(
            f"\n[bold]Most likely ({percent(first.probability)}):[/] {escape(first.text)}"
        )
        steps = Table.grid(padding=(0, 1))
        for number, step in enumerate(first.steps, start=1):
            steps.add_row(f"  {number}.", escape(step))
        console.print(steps)
        if first.caution:
            console.print(f"[bold]Caution:[/] {escape(first.caution)}")
    else:
        console.print("\nNot clear enough to name one cause; what it may be:")
        console.print(f"  {_short(first)}")
    for standing, finding in beside(verdict.findings):
        console.print(f"  {standing} {_short(finding)}")


def _short(finding: Finding) -> str:
    """'poor contact at the pad (12 %)'."""
    words = headline(finding)
    return f"{escape(words[0].lower() + words[1:])} ({percent(finding.probability)})"


def _print_time_constants(console: Console, verdict: Verdict) -> None:
    if not verdict.time_constants:
        return
    table = Table(box=None, pad_edge=False, header_style="bold", title_justify="left")
    for heading in ("time constant\nmeasured, s", "\npredicted, s", "\nratio"):
        table.add_column(heading, justify="right")
    for constant in verdict.time_constants:
        predicted_s = constant.predicted_s
        table.add_row(
            with_expanded(constant.measured_s, constant.measured_u_s),
            digits(predicted_s),
            fixed(constant.measured_s / predicted_s, 2) if predicted_s else UNKNOWN,
        )
    console.print()
    console.print(table)
