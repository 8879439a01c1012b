"""What runs have taught: every input before and after, as a multiple of what was stated."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fit.learning.before_after import before_and_after, most_taught_first
from fit.output.terminal.learned import input_in_words
from fit.output.theme import colour, place_axes, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from fit.learning.learn import Taught

ROW_IN = 0.36  # height of an input: its name and two bars


def learned_figure(taught: Taught, *, ax: Axes | None = None) -> Figure:
    """Draw the interval (k = 2) of each input of a unit not yet built, before and after.

    Args:
        taught: by the runs.
        ax: axes to draw in; a new figure when None.

    Returns:
        The figure, the input that was taught most on top.
    """
    changes = most_taught_first(before_and_after(taught.learned))
    with styled():
        height = ROW_IN * len(changes) + 0.95
        box = (0.42, 0.5 / height, 0.54, 1 - 0.85 / height)
        figure, axes = place_axes(ax, height, box)
        axes.axvline(1, color=colour("hair"), lw=1, zorder=0)
        for row, change in enumerate(changes):
            for value, u, hue, shift in (
                (change.value, change.u, "soft", -0.14),
                (change.value_after, change.u_after, "measured", 0.14),
            ):
                middle, half = value / change.value, 2 * u / change.value
                axes.plot([middle - half, middle + half], [row + shift] * 2, color=colour(hue))
                axes.plot([middle], [row + shift], "o", ms=3.5, color=colour(hue))
        names = [input_in_words(one.input, with_unit=False) for one in changes]
        axes.set_yticks(range(len(changes)), names)
        axes.set_ylim(len(changes) - 0.5, -0.6)
        axes.set_xlabel("as a multiple of what was stated (bars: k = 2)")
        axes.set_title("grey: before, blue: after", loc="left")
        return figure
