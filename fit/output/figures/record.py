"""The whole record as it was logged: every node's temperature and the power, in plain time."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from fit.notation import digits
from fit.output.theme import (
    colour,
    label_ends,
    new_figure,
    node_colours,
    styled,
    time_unit,
    width_beside,
)
from fit.records.run import Array, Run

if TYPE_CHECKING:
    from matplotlib.figure import Figure

LEFT = 0.1  # of the figure's width, for the numbers of the axis
CELLS = 240  # about one a point of the width that the curves have


def record_figure(run: Run, colours: Mapping[str, str] | None = None) -> Figure:
    """Draw a run as it was recorded, nothing corrected.

    Args:
        run: as read.
        colours: of the nodes; their own order decides when None.

    Returns:
        A figure: each curve is the range of the readings in each of its cells of time.
    """
    t, low, high, power = thin(run)
    unit_s, unit = time_unit(float(t[-1] - t[0]))
    names = (*run.nodes, *run.off_path)
    colours = colours or node_colours(names)
    hues = [colours[name] for name in names]
    with styled():
        figure = new_figure(3.3)
        width = width_beside((*names, f"power, {run.power_unit}"), LEFT)
        axes = figure.add_axes((LEFT, 0.3, width, 0.62))
        below = figure.add_axes((LEFT, 0.14, width, 0.1), sharex=axes)
        ends = []
        for j in range(len(names)):
            axes.fill_between(t / unit_s, low[:, j], high[:, j], color=hues[j], lw=0.6, step=None)
            middle = 0.5 * (low[:, j] + high[:, j])
            finite = np.flatnonzero(np.isfinite(middle))
            ends.append(float(middle[finite[-1]]) if len(finite) else 0.0)
        axes.margins(x=0, y=0.04)
        axes.set_title("readings, °C (each line as wide as its scatter)")
        axes.grid(axis="y")
        axes.tick_params(labelbottom=False)
        bottom, top = axes.get_ylim()
        label_ends(axes, names, ends, hues, (top - bottom) * 0.072)
        below.fill_between(t / unit_s, power, step="post", color=colour("hair"), lw=0)
        below.set_ylim(0, 1.15 * max(float(np.nanmax(power)), 1e-9))
        below.set_yticks([0, float(digits(float(np.nanmax(power))))])
        below.text(1.06, 0.5, f"power, {run.power_unit}", transform=below.transAxes, va="center")
        below.set_xlabel(f"time, {unit}")
        return figure


def thin(run: Run, cells: int = CELLS) -> tuple[Array, Array, Array, Array]:
    """Range of the readings in even cells of time.

    Args:
        run: as read.
        cells: how many at most.

    Returns:
        Time (c,) [s], lowest and highest reading (c, nodes) [degC], and power (c,) [power unit].
        Nodes off the path come last.
    """
    n = len(run.t_s)
    starts = np.unique(np.linspace(0, n, min(cells, n), endpoint=False).astype(int))
    temperature = run.temperature_degC
    if run.off_path:
        temperature = np.hstack([temperature, run.off_path_degC])
    low = np.fmin.reduceat(temperature, starts, axis=0)
    high = np.fmax.reduceat(temperature, starts, axis=0)
    return run.t_s[starts], low, high, np.fmax.reduceat(run.power, starts)
