"""A comparison for people, for programs (`heatrun.compare/1`) and as a CSV table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from fit.measurement.resolution import NOT_RESOLVED
from fit.notation import UNKNOWN, between, digits, fixed, with_expanded
from fit.output.change_words import MARKS, sentences
from fit.output.text import by_path_watt
from fit.records.csv_export import write_csv
from fit.statistics.comparison import (
    Comparison,
    SpanComparison,
    path_share,
    resolved_readings,
)
from fit.statistics.shared_errors import ALL_OF_IT
from fit.statistics.trend import CONTACT, CONTACT_EXPONENT

SCHEMA = "heatrun.compare/1"
STYLE = {"higher": "bold red", "lower": "green", "none seen": ""}
SHOW_ALL_UP_TO = 12  # runs, a screen or two of rows; of more, each span's spread alone
COLUMNS = (
    "run", "label", "value", "from", "to", "R_K_per_W", "u_K_per_W", "own_u_K_per_W",
    "difference_K_per_W", "difference_u_K_per_W", "change", "resolved",
)  # fmt: skip


def compare_document(
    comparison: Comparison, errors: Sequence[tuple[str, str]] = ()
) -> dict[str, Any]:
    """The comparison as `heatrun.compare/1`.

    Args:
        comparison: to be written.
        errors: run and message of each run that could not be read.

    Returns:
        The document, of plain Python values.
    """
    x = comparison.x or (None,) * len(comparison.runs)
    return {
        "schema": SCHEMA,
        "summary": list(sentences(comparison)),
        "against": comparison.against,
        "per_watt": "on the path" if comparison.per_path_watt else "recorded",
        "runs": [
            {
                "run": str(run.path),
                "label": run.label,
                "value": value,
                "power_W": run.spans.power_W,
                "settled": run.spans.settled,
            }
            for run, value in zip(comparison.runs, x, strict=True)
        ],
        "spans": [
            _span_document(span, resolved)
            for span, resolved in zip(
                comparison.spans, resolved_readings(comparison.spans), strict=True
            )
        ],
        "errors": [{"run": run, "error": message} for run, message in errors],
        "warnings": list(comparison.warnings),
    }


def _span_document(span: SpanComparison, resolved: NDArray[np.bool_]) -> dict[str, Any]:
    return {
        "from": span.from_node,
        "to": span.to_node,
        "stages": list(span.stages),
        "runs": [
            asdict(reading) | {"resolved": bool(one)}
            for reading, one in zip(span.readings, resolved, strict=True)
        ],
        "trend": None if span.trend is None else asdict(span.trend),
        "spread": None if span.spread is None else asdict(span.spread),
    }


def print_comparison(console: Console, comparison: Comparison) -> None:
    """Print what changed in a sentence, spans by runs, trends, spread and warnings.

    Args:
        console: where to.
        comparison: of several runs.
    """
    for sentence in sentences(comparison):
        console.print(f"[bold]{escape(sentence)}.[/]")
    console.print()
    if len(comparison.runs) <= SHOW_ALL_UP_TO:
        console.print(_run_table(comparison))
        console.print(f"± is the expanded uncertainty, k = 2. {per_watt(comparison)}\n")
    if comparison.x is not None:
        console.print(_trend_table(comparison))
        console.print(
            "Scatter over 1: the runs lie about the curve more widely than their uncertainty "
            "allows; the trend's own is enlarged by it.\n"
        )
    if any(span.spread for span in comparison.spans):
        console.print(_spread_table(comparison))
        console.print("Unit to unit: standard deviation, measurement taken out, 95 % interval.\n")
    for warning in comparison.warnings:
        console.print(f"[yellow]Note:[/] {escape(warning)}")


def per_watt(comparison: Comparison) -> str:
    """Which watts the resistances are by, in a sentence.

    Args:
        comparison: of several runs.

    Returns:
        The sentence.
    """
    unit = comparison.runs[0].power_unit
    if any(run.spans.tree is not None for run in comparison.runs):
        return "K/W: per watt that flows through the span."
    if comparison.per_path_watt:
        shares = {path_share(run) or ALL_OF_IT for run in comparison.runs}
        return f"K/W: {by_path_watt([share for share, _ in shares])}."
    if unit != "W":
        return f"K/{unit}: per unit of recorded power."
    return "K/W: per watt recorded, for not every run keeps a budget that says its share."


def _run_table(comparison: Comparison) -> Table:
    table = _table()
    x = comparison.x
    table.add_column("span")
    table.add_column("run")
    if x is not None:
        table.add_column(escape(comparison.against or ""), justify="right")
    for heading in ("K/W", "difference\nto the first"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("change", no_wrap=True)
    known = resolved_readings(comparison.spans)
    for row, span in enumerate(comparison.spans):
        for i, (run, reading) in enumerate(zip(comparison.runs, span.readings, strict=True)):
            resolved = bool(known[row, i])
            step = reading.difference_K_per_W, reading.difference_u_K_per_W
            difference = with_expanded(*step, sign=True)
            change, style = MARKS[reading.change], STYLE[reading.change]
            if not (resolved and known[row, 0]):
                difference, change, style = UNKNOWN, UNKNOWN, ""
            table.add_row(
                "" if i else escape(span.name),
                escape(run.path.name),
                *([] if x is None else [f"{x[i]:g}"]),
                with_expanded(reading.R_K_per_W, reading.u_K_per_W) if resolved else NOT_RESOLVED,
                _styled(difference, style) if i else "",
                _styled(change, style) if i else "",
                end_section=i == len(comparison.runs) - 1,
            )
    return table


def _trend_table(comparison: Comparison) -> Table:
    table = _table()
    x = escape(comparison.against or "")
    table.add_column("span")
    table.add_column(f"R in K/W against {x}")
    table.add_column("trend")
    table.add_column("scatter", justify="right")
    for span in comparison.spans:
        if span.trend is not None:
            trend = span.trend
            power = f"·{x}^{CONTACT_EXPONENT}" if trend.shape == CONTACT else f"·{x}"
            table.add_row(
                escape(span.name),
                f"({with_expanded(trend.intercept_K_per_W, trend.intercept_u_K_per_W)}) + "
                f"({with_expanded(trend.slope, trend.slope_u)}){power}",
                trend.direction,
                digits(trend.birge_ratio, 2),
            )
    return table


def _spread_table(comparison: Comparison) -> Table:
    table = _table()
    for heading in ("span", "mean\nK/W", "unit to unit\nK/W", "interval\nK/W", "of the\nmean"):
        table.add_column(heading, justify="left" if heading == "span" else "right")
    for span in comparison.spans:
        if span.spread is not None:
            spread = span.spread
            table.add_row(
                escape(span.name),
                digits(spread.mean_K_per_W),
                digits(spread.between_sd_K_per_W, 2),
                between(spread.between_low_K_per_W, spread.between_high_K_per_W, 2),
                f"{fixed(100 * spread.between_sd_K_per_W / abs(spread.mean_K_per_W), 1)} %",
            )
    return table


def _table() -> Table:
    return Table(box=None, pad_edge=False, header_style="bold")


def _styled(text: str, style: str) -> str:
    return f"[{style}]{text}[/]" if style else text


def write_table(table: Path, comparison: Comparison) -> None:
    """Write one row a span of every run to a new CSV file.

    Args:
        table: file to create.
        comparison: of several runs.

    Raises:
        RecordError: the file exists or cannot be written.
    """
    write_csv(table, COLUMNS, _rows(comparison))


def _rows(comparison: Comparison) -> list[dict[str, object]]:
    resolved = resolved_readings(comparison.spans)
    return [
        {
            "run": run.path,
            "label": run.label,
            "value": None if comparison.x is None else comparison.x[i],
            "from": span.from_node,
            "to": span.to_node,
            **asdict(span.readings[i]),
            "resolved": bool(resolved[row, i]),
        }
        for i, run in enumerate(comparison.runs)
        for row, span in enumerate(comparison.spans)
    ]
