"""Many runs as a person reads them in a terminal: a line a run, and the count."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from fit.assessment.advice import percent
from fit.assessment.decision import CONFORMING, NON_CONFORMING
from fit.output.cause_words import cause_in_words
from fit.output.terminal.check import STYLE
from fit.statistics.unit_row import UnitRow

SHOW_ALL_UP_TO = 40  # runs, a screen; of more, only those that are not conforming


def print_runs(console: Console, rows: Sequence[UnitRow]) -> None:
    """Print one line a run (of many, only those that do not conform), then the count.

    Args:
        console: where to.
        rows: of all runs.
    """
    counts = Counter("not read" if row.error else row.decision for row in rows)
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("run", "decision", "spans over their limit", "most likely"):
        table.add_column(heading)
    for row in rows:
        if row.error or (len(rows) > SHOW_ALL_UP_TO and row.decision == CONFORMING):
            continue
        over = [span.name for span in row.spans if span.decision == NON_CONFORMING]
        table.add_row(
            escape(row.run.rsplit("/", 1)[-1]),
            f"[{STYLE[row.decision]}]{row.decision}[/]",
            escape(", ".join(over)),
            escape(likely_cause(row)),
        )
    if table.row_count:
        console.print(table)
    console.print(f"{len(rows)} runs: " + ", ".join(f"{n} {what}" for what, n in counts.items()))


def likely_cause(row: UnitRow) -> str:
    """'poor contact at the pad (92 %)', or nothing.

    Args:
        row: of a run.

    Returns:
        The cause that leads, in a few words.
    """
    if row.cause is None or row.probability is None:
        return ""
    words = cause_in_words(row.cause, row.where or "")
    return f"{words[0].lower()}{words[1:]} ({percent(row.probability)})"
