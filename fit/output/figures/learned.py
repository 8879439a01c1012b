"""What runs have taught: every input before and after, as a multiple of what was stated."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fit.learning.before_after import before_and_after, most_taught_first
from fit.notation import COVERAGE_FACTOR, with_expanded
from fit.output.terminal.learned import input_in_words
from fit.output.theme import colour, place_axes, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from fit.learning.before_after import BeforeAfter
    from fit.learning.learn import Taught

ROW_IN = 0.48  # height of an input: a line of text and two bars


def learned_figure(taught: Taught, *, ax: Axes | None = None) -> Figure:
    """Draw the interval (k = 2) of each input of a unit not yet built, before and after.

    Args:
        taught: by the runs.
        ax: axes to draw in; a new figure when None.

    Returns:
        The figure, the input that was taught most on top.
    """
    changes = most_taught_first(before_and_after(taught)[: taught.prior.own])
    with styled():
        height = ROW_IN * len(changes) + 0.85
        box = (0.04, 0.5 / height, 0.92, 1 - 0.75 / height)
        figure, axes = place_axes(ax, height, box)
        axes.axvline(1, color=colour("soft"), lw=0.8, zorder=0)
        for row, change in enumerate(changes):
            _draw(axes, change, row)
        axes.set_ylim(len(changes) - 0.35, -0.5)
        axes.set_yticks([])
        axes.grid(axis="x")
        axes.spines["left"].set_visible(False)
        axes.set_xlabel("as a multiple of what was stated (bars: k = 2)")
        axes.set_title(
            "above, hollow: as stated; below, filled: after the runs"
            if taught.earlier is None
            else "from above: as stated; after earlier runs; after these, filled"
        )
        return figure


def _draw(axes: Axes, change: BeforeAfter, row: int) -> None:
    """One input: what it was and is in words, and its intervals under each other."""
    after = with_expanded(change.value_after, change.u_after)
    before = with_expanded(change.value, change.u)
    axes.annotate(
        f"{input_in_words(change.input)}: {after}, was {before}",
        (0, row - 0.24),
        xycoords=("axes fraction", "data"),
        va="center",
        size=8.5,
        bbox={"fc": colour("paper"), "ec": "none", "pad": 0.5},
    )
    bars = [(change.value, change.u, "soft", "paper")]
    if change.earlier is not None:
        bars.append((*change.earlier, "measured", "paper"))
    bars.append((change.value_after, change.u_after, "measured", "measured"))
    shifts = (0.08, 0.32) if change.earlier is None else (0.06, 0.22, 0.38)
    for (value, u, role, inside), shift in zip(bars, shifts, strict=True):
        middle, half = value / change.value, COVERAGE_FACTOR * u / change.value
        hue, face = colour(role), colour(inside)
        axes.plot([middle - half, middle + half], [row + shift] * 2, color=hue)
        axes.plot([middle], [row + shift], "o", ms=4.5, mec=hue, mfc=face)
