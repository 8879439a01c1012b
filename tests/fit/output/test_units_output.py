"""Many units in words and in a picture."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console

from fit.output.figures.population import MARKS_UP_TO, population_figure
from fit.output.terminal.runs import print_runs
from fit.output.terminal.units import drift_in_words, print_units, yield_in_words
from fit.output.units_document import units_document
from fit.records.results import to_json
from fit.statistics.conforming_share import Yield
from fit.statistics.drift import Drift, Lot
from fit.statistics.units import Units, summarize
from tests.support.made_units import made_units, span_row, with_spans


def printed(units: Units, width: int = 110) -> str:
    stream = io.StringIO()
    print_units(Console(file=stream, width=width), units)
    return stream.getvalue()


def drifting(slope: float) -> Units:
    rows = [
        with_spans(row, *row.spans[:1], span_row(1, 0.55 + slope * i), *row.spans[2:])
        for i, row in enumerate(made_units(20))
    ]
    return summarize(rows)


def test_a_drift_is_said_with_its_span_and_over_a_month() -> None:
    text = printed(drifting(0.004))
    assert "Drift: pad against date: 0.12" in text
    assert "in 30 days" in text


def test_a_narrow_terminal_keeps_the_names_of_spans() -> None:
    text = printed(summarize(made_units(20)), 74)
    assert all(f"\n{span.name} " in text for span in summarize(made_units(20)).spans)
    assert "olerance" not in text


def test_spans_over_their_limit_have_the_names_of_their_stages() -> None:
    over = [with_spans(row, row.spans[0], span_row(1, 0.9)) for row in made_units(1)]
    stream = io.StringIO()
    print_runs(Console(file=stream, width=110), over)
    assert " pad " in stream.getvalue()
    assert "board_back - bar" not in stream.getvalue()


def test_one_unit_is_no_plural() -> None:
    assert yield_in_words(Yield(1, 0, 0, 0.16, 1.0)).startswith("1 unit: 1 conforming")


def test_that_none_is_seen_is_said_too() -> None:
    assert "No drift seen by date." in printed(summarize(made_units(20)))


def test_lots_are_named_with_their_means_and_counts() -> None:
    span = summarize(made_units(6)).spans[1]
    drift = Drift("lot", 0.001, True, lots=(Lot("A", 3, 0.6), Lot("B", 3, 0.7)))
    words = "pad by lot, mean in K/W (units): A 0.600 (3), B 0.700 (3) (p = 0.001)"
    assert drift_in_words(span, drift) == words


def test_a_name_in_brackets_is_no_markup() -> None:
    rows = [replace(row, unit=f"[red]{row.unit}[/]") for row in made_units(3)]
    assert "[red]SN001[/]" in printed(summarize(rows))


def test_spans_that_nobody_resolves_have_no_distribution_and_the_rest_have() -> None:
    rows = [
        replace(row, spans=(replace(row.spans[0], resolved=False), *row.spans[1:]))
        for row in made_units(3)
    ]
    document = units_document(summarize(rows))
    to_json(document)  # held to its schema
    distributions = [span["distribution"] for span in document["spans"]]  # type: ignore[union-attr,index]
    assert distributions[0] is None
    assert distributions[1] is not None
    assert "via array" in printed(summarize(rows))


def test_every_unit_has_its_mark_in_the_figure() -> None:
    rows = made_units(12)
    rows[3] = with_spans(rows[3], span_row(0, 3.2), span_row(1, 1.14), span_row(2, 0.5))
    axes = population_figure(summarize(rows)).axes
    assert len(axes) == 3
    marked = {
        line.get_marker(): len(line.get_xdata())
        for line in axes[1].lines
        if line.get_marker() in "oXs"
    }  # type: ignore[arg-type]
    assert marked == {"o": 11, "X": 1, "s": 0}


@pytest.mark.parametrize(("count", "bars"), [(MARKS_UP_TO, 0), (MARKS_UP_TO + 1, 1)])
def test_very_many_units_are_a_histogram(count: int, bars: int) -> None:
    axes = population_figure(summarize(made_units(count))).axes[0]
    assert len(axes.patches) - 1 == bars  # beside the band


def test_limit_and_interval_lie_on_the_axis() -> None:
    axes = population_figure(summarize(made_units(12))).axes[0]
    low, high = axes.get_xlim()
    drawn = np.concatenate([np.atleast_1d(line.get_xdata()) for line in axes.lines])
    assert low <= drawn.min()
    assert drawn.max() <= high
