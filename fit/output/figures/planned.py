"""A run that is planned: uncertainty against time, and what each thermocouple is worth."""

from __future__ import annotations

from math import isinf
from typing import TYPE_CHECKING

import numpy as np

from fit.notation import COVERAGE_FACTOR, digits, span_name
from fit.output.terminal.plan import duration
from fit.output.theme import colour, new_figure, place_axes, styled, time_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from fit.planning.experiment import Plan

ROW_IN = 1.25  # height of a span's axes
UNRESOLVED = 2.5  # decades of percent: nobody asks how much more than that it is
LOST = 1.15  # length of the bar of a thermocouple without which a stage is lost, in the longest


def planned_figure(plan: Plan) -> Figure:
    """Draw the uncertainty to expect of each span against the time heated, with its decision line.

    Below the line a part that is as predicted is decided.

    Args:
        plan: of a run.

    Returns:
        The figure, one axes a span.
    """
    rows = len(plan.spans)
    unit_s, unit = time_unit(float(plan.t_s[-1]))
    with styled():
        height = ROW_IN * rows + 0.6
        figure = new_figure(height)
        for row, span in enumerate(plan.spans):
            bottom = (0.45 + ROW_IN * (rows - 1 - row)) / height
            axes = figure.add_axes((0.12, bottom, 0.84, (ROW_IN - 0.4) / height))
            percent = 100 * COVERAGE_FACTOR / span.R_K_per_W
            axes.loglog(plan.t_s / unit_s, percent * span.curve_K_per_W, color=colour("measured"))
            axes.axhline(percent * span.needed_u_K_per_W, color=colour("ink"), ls="--", lw=0.9)
            axes.axvline(plan.bench.heat_s / unit_s, color=colour("soft"), lw=0.7)
            axes.set_ylabel("± %, k = 2")
            axes.grid(axis="y")
            both = np.log10([*(percent * span.curve_K_per_W), percent * span.needed_u_K_per_W])
            axes.set_ylim(10 ** np.floor(both.min()), 10 ** min(np.ceil(both.max()), UNRESOLVED))
            for axis in (axes.xaxis, axes.yaxis):
                axis.set_major_formatter(lambda value, _: f"{value:g}")
            axes.minorticks_off()
            after = span.decided_after_s
            when = "never" if after is None else f"after {duration(after)}"
            axes.set_title(
                f"{span_name(span.stages, span.from_node, span.to_node)}: decided {when}",
                loc="left",
            )
            if row < rows - 1:
                axes.set_xticklabels([])
            if row == 0:
                axes.annotate(
                    "decided below",
                    (plan.t_s[-1] / unit_s, percent * span.needed_u_K_per_W),
                    # Over the line at the end, for u falls with time.
                    xytext=(-6, 3),
                    textcoords="offset points",
                    ha="right",
                    size=8,
                    color=colour("soft"),
                )
        axes.set_xlabel(f"time heated, {unit} (upright line: the end of heating)")
        return figure


def thermocouples_figure(plan: Plan, *, ax: Axes | None = None) -> Figure:
    """Draw a bar for each thermocouple: how much larger the smallest excess found is without it.

    Args:
        plan: of a run.
        ax: axes to draw in; a new figure when None.

    Returns:
        The figure.
    """
    rows = len(plan.thermocouples)
    worth = np.array([one.worth for one in plan.thermocouples])
    known = worth[np.isfinite(worth)]
    longest = LOST * max(float(np.max(known, initial=1.0)), 2.0)
    with styled():
        height = 0.3 * rows + 0.9
        # Room for the longest name: a letter of this size is about a hundredth of the width.
        left = max(0.18, 0.05 + 0.0125 * max(len(one.node) for one in plan.thermocouples))
        box = (left, 0.45 / height, 0.96 - left, 1 - 0.75 / height)
        figure, axes = place_axes(ax, height, box)
        for row, one in enumerate(plan.thermocouples):
            lost = isinf(one.worth)
            width = longest if lost else one.worth
            axes.barh(row, width, 0.55, color=colour("soft" if lost else "measured"))
            axes.annotate(
                f"{one.stage} not measured" if lost else f"× {digits(one.worth, 2)}: {one.stage}",
                (width, row),
                xytext=(4, 0),
                textcoords="offset points",
                va="center",
                size=8,
                color=colour("soft"),
            )
        axes.set_yticks(range(rows), [one.node for one in plan.thermocouples])
        axes.set_ylim(rows - 0.4, -0.6)
        axes.set_xlim(0, 1.8 * longest)
        axes.axvline(1.0, color=colour("ink"), lw=0.8)
        axes.set_xlabel("smallest excess found without it, over that with it")
        axes.set_title("What each thermocouple is worth", loc="left")
        return figure
