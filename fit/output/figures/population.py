"""Many units: every span in each of them, where the next is expected, and the limit."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fit.output.theme import colour, new_figure, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from fit.statistics.units import SpanOfUnits, Units

ROW_IN = 1.15  # height of a span's axes
MARKS_UP_TO = 300  # units: of more, a histogram says what marks on each other do not
GOLDEN = 0.618034  # turns neighbours apart, the same at every drawing
MARKS = {
    "conforming": ("o", "measured"),
    "non-conforming": ("X", "over"),
    "undecided": ("s", "open"),
}
"""Decision -> mark and colour: either tells it alone."""


def population_figure(units: Units) -> Figure:
    """Draw every span of all units on its own scale.

    Args:
        units: put together.

    Returns:
        The figure, one axes a span.
    """
    shown = [span for span in units.spans if span.population is not None]
    rows = max(1, len(shown))
    with styled():
        height = ROW_IN * rows + 0.45
        figure = new_figure(height)
        for row, span in enumerate(shown):
            bottom = (0.7 + ROW_IN * (rows - 1 - row)) / height
            axes = figure.add_axes((0.05, bottom, 0.9, (ROW_IN - 0.55) / height))
            _draw(axes, span)
        figure.text(
            0.05,
            0.06 / height,
            "K/W. Band: the next unit (95 %). Bar: 95 % of all units (95 % sure).\n"
            "Dashed: limit. Cross: unit that does not conform. Square: undecided.",
            size=8,
            color=colour("soft"),
        )
        return figure


def _draw(axes: Axes, span: SpanOfUnits) -> None:
    found = span.population
    assert found is not None
    axes.axvspan(found.next_low_K_per_W, found.next_high_K_per_W, color=colour("band"), lw=0)
    axes.plot(
        [found.tolerance_low_K_per_W, found.tolerance_high_K_per_W],
        [-0.12, -0.12],
        color=colour("ink"),
        lw=1.2,
        marker="|",
        ms=5,
    )
    axes.axvline(found.mean_K_per_W, color=colour("ink"), lw=0.8)
    values = np.array([one.span.measured_K_per_W for one in span.measured], float)
    if len(values) > MARKS_UP_TO:
        counts, edges = np.histogram(values, "auto")
        axes.stairs(counts / counts.max(), edges, fill=True, color=colour("measured"))
    else:
        height = 0.1 + 0.8 * np.mod(GOLDEN * np.arange(len(values)), 1.0)
        decisions = np.array([one.span.decision for one in span.measured])
        for decision, (mark, role) in MARKS.items():
            own = decisions == decision
            axes.plot(values[own], height[own], mark, ms=3.5, mew=0, color=colour(role))
    if span.limit_K_per_W is not None:
        axes.axvline(span.limit_K_per_W, color=colour("over"), ls="--", lw=1.0)
    axes.set_ylim(-0.25, 1.05)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.set_title(f"{span.name}: {len(values)} unit{'s' if len(values) != 1 else ''}", loc="left")
