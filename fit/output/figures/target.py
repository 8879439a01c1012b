"""What each free input of a budget would bring: the temperature of a node against its value."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fit.errors import NotIdentifiable
from fit.notation import digits
from fit.output.terminal.target import words
from fit.output.theme import colour, new_figure, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from fit.budget.target import Change, Target

COLUMNS = 2  # side by side: each curve as wide as its numbers are legible
ROW_IN = 1.45  # height of a row of curves


def target_figure(target: Target) -> Figure:
    """Draw the node's temperature against each input alone, as far as diminishing returns go.

    Args:
        target: as found.

    Returns:
        The figure, one axes an input, the most promising first.

    Raises:
        NotIdentifiable: no input changes the node's temperature.
    """
    changes = target.changes
    if not changes:
        raise NotIdentifiable(f"no input of the budget changes the temperature of {target.node}")
    rows = -(-len(changes) // COLUMNS)
    height = ROW_IN * rows + 0.5
    low = min(target.degC, *(float(one.degC.min()) for one in changes))
    # What makes the node hotter is drawn as far up as the target or the present is, and a bit more.
    high = max(target.degC, target.now_degC) + 0.6 * (target.now_degC - low)
    with styled():
        figure = new_figure(height)
        for number, change in enumerate(changes):
            row, column = divmod(number, COLUMNS)
            left = 0.12 + 0.5 * column
            bottom = (0.4 + ROW_IN * (rows - 1 - row)) / height
            axes = figure.add_axes((left, bottom, 0.36, (ROW_IN - 0.65) / height))
            _draw(axes, change, target)
            axes.set_ylim(low - 0.08 * (high - low), high)
            if column == 0:
                axes.set_ylabel("°C")
        figure.text(
            0.02,
            1 - 0.18 / height,
            f"{target.node} in air of {target.ambient_degC:z.0f} °C; dashed: {target.degC:z.1f} °C",
            color=colour("ink"),
            size=8.5,
        )
        return figure


def _draw(axes: Axes, change: Change, target: Target) -> None:
    name, unit = words(change.key)
    axes.semilogx(change.values, change.degC, color=colour("measured"))
    axes.axhline(target.degC, color=colour("ink"), ls="--", lw=0.9)
    axes.plot([change.value], [target.now_degC], "o", ms=4, color=colour("measured"))
    if change.needed is not None:
        axes.plot([change.needed], [target.degC], "o", ms=5, mfc="none", color=colour("ink"))
    axes.set_title(f"{name} of {change.stage}" + (f", {unit}" if unit else ""), loc="left")
    axes.minorticks_off()
    axes.grid(axis="y")
    ticks = np.geomspace(change.values[0], change.values[-1], 3)
    axes.set_xticks(ticks, [f"{float(digits(tick, 2)):g}" for tick in ticks])
