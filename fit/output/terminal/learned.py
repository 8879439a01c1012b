"""What runs have taught, as tables a person can read."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fit.budget.inputs import PATH, unsure_inputs
from fit.budget.learned import with_learned
from fit.learning.before_after import before_and_after, most_taught_first
from fit.notation import with_expanded
from fit.output.one_line import printable
from fit.output.terminal.target import words

if TYPE_CHECKING:
    from rich.console import Console

    from fit.budget.inputs import Input
    from fit.budget.model import Budget
    from fit.learning.learn import Taught


def print_taught(console: Console, taught: Taught) -> None:
    """Print which runs have taught, and every input before and after.

    Args:
        console: to print on.
        taught: by the runs.
    """
    from rich.markup import escape
    from rich.table import Table

    budget, own, earlier = taught.budget, taught.prior.own, taught.earlier
    count = sum(run.taught for run in taught.runs)
    console.print(f"[bold]{escape(budget.title or budget.path.name)}[/bold]")
    console.print(f"{count} of {len(taught.runs)} runs taught.{_continued(taught)}\n", markup=False)
    for run in taught.runs:
        if run.why_not:
            verb = "teaches by --force" if run.taught else "does not teach"
            console.print(f"{run.run} {verb}: {run.why_not}.", markup=False)
    title = "Inputs of a unit not yet built"
    table = Table(box=None, pad_edge=False, title=title, title_justify="left", title_style="bold")
    table.add_column("input")
    for name in ("before", "after") if earlier is None else ("as stated", "before", "after"):
        table.add_column(name, justify="right")
    for change in most_taught_first(before_and_after(taught)[:own]):
        pairs = [(change.value, change.u), (change.value_after, change.u_after)]
        if change.earlier is not None:
            pairs.insert(1, change.earlier)
        table.add_row(
            escape(input_in_words(change.input)), *(with_expanded(*pair) for pair in pairs)
        )
    console.print(table)
    console.print(
        "± is the expanded uncertainty, k = 2: what units share, and each one's own scatter. The "
        "inputs hang together, and the file keeps how."
    )
    for warning in taught.warnings:
        console.print(f"Note: {printable(warning)}.", markup=False)


def _continued(taught: Taught) -> str:
    """What the runs continued from, a sentence or two; nothing where they began."""
    earlier = taught.earlier
    if earlier is None:
        return ""
    line = taught_line(with_learned(taught.budget, earlier.learned), printable(earlier.file))
    before, kept = len(earlier.taught_by), len(taught.learned.inputs) - taught.prior.own
    runs = f"{before} run{'s' if before != 1 else ''}"
    rest = f" {kept} of other products {'are' if kept != 1 else 'is'} kept." if kept else ""
    return f" Before them {runs} did: {line}{rest}"


def taught_line(budget: Budget, by: str) -> str:
    """How many of a budget's inputs are as runs have taught them.

    Args:
        budget: with what was learnt.
        by: the file that says so.

    Returns:
        One sentence.
    """
    known = 0 if budget.learned is None else len(budget.learned.inputs)
    unsure = len(unsure_inputs(budget))
    return f"{known} of the {unsure} unsure inputs are as learnt ({by})."


def input_in_words(one: Input, *, with_unit: bool = True) -> str:
    """An input as a person says it.

    Args:
        one: of a budget.
        with_unit: whether its unit follows.

    Returns:
        Name, whose it is, unit.
    """
    name, unit = words(one.key)
    whose = "" if one.owner == PATH else f" of {one.owner}"
    return f"{name}{whose}" + (f" ({unit})" if unit and with_unit else "")
