"""The whole record in plain time: every node with the fit, and what is left over."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from fit.output.theme import (
    colour,
    label_ends,
    new_figure,
    response_colours,
    shortened,
    styled,
    time_unit,
    width_beside,
)
from fit.records.run import Array
from fit.signals.cells import Index

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from fit.identification.response import Response

CELLS = 400  # finer than the 240 points of its width: the fit keeps its bends
CURVES_IN, STRIP_IN = 2.4, 0.34  # as in `curves`, to stand beside it


def fitted_figure(response: Response, colours: Mapping[str, str] | None = None) -> Figure:
    """Draw the fit over everything that was recorded, heating and cooling.

    Args:
        response: as identified.
        colours: of the nodes; their own order decides when None.

    Returns:
        A figure: bands are the range of the readings in each of its cells of time, lines the fit.
    """
    t_s = response.signals.t_s
    starts = np.unique(np.linspace(0, len(t_s), min(CELLS, len(t_s)), endpoint=False).astype(int))
    unit_s, unit = time_unit(float(t_s[-1] - t_s[0]))
    t = t_s[starts] / unit_s
    m = len(response.nodes)
    known = response_colours(response, colours)
    hues = [known[node] for node in response.nodes]
    height = CURVES_IN + STRIP_IN * m + 1.0
    with styled():
        figure = new_figure(height)
        left = 0.1
        width = width_beside(response.nodes, left)
        top = figure.add_axes((left, (0.72 + STRIP_IN * m) / height, width, CURVES_IN / height))
        _draw_curves(top, t, starts, response, hues)
        low, high = _range(response.residual_K, starts)
        largest = float(np.nanmax(np.abs([low, high]))) or 1.0
        for j in range(m):
            bottom = (0.46 + STRIP_IN * (m - 1 - j)) / height
            strip = figure.add_axes((left, bottom, width, 0.86 * STRIP_IN / height), sharex=top)
            strip.axhline(0, color=colour("hair"), lw=0.8)
            strip.fill_between(t, low[:, j], high[:, j], color=hues[j], lw=0.6)
            strip.set_ylim(-1.1 * largest, 1.1 * largest)
            strip.set_yticks([])
            strip.spines["left"].set_visible(False)
            strip.text(
                1.06, 0.5, shortened(response.nodes[j]), transform=strip.transAxes, va="center"
            )
            if j < m - 1:
                strip.spines["bottom"].set_visible(False)
                strip.tick_params(bottom=False, labelbottom=False)
            else:
                strip.set_xlabel(f"time, {unit}")
        figure.text(
            left,
            (0.46 + STRIP_IN * m + 0.02) / height,
            f"measured minus fitted, K (each strip ±{largest:.2g} K)",
            color=colour("soft"),
            size=8.5,
        )
        return figure


def _draw_curves(
    axes: Axes, t: Array, starts: Index, response: Response, hues: Sequence[str]
) -> None:
    low, high = _range(response.fitted_K + response.residual_K, starts)
    fitted = response.fitted_K[starts]
    for j, hue in enumerate(hues):
        axes.fill_between(t, low[:, j], high[:, j], color=hue, lw=1.6)
        axes.plot(t, fitted[:, j], color=colour("ink"), lw=0.8, zorder=3)
    for edge in response.signals.power_edges_s:
        axes.axvline(edge * t[-1] / response.signals.t_s[starts[-1]], color=colour("hair"), lw=0.8)
    axes.margins(x=0, y=0.04)
    quantity = f"rise above {response.reference}, K" if response.reference else "readings, °C"
    axes.set_title(f"{quantity}: bands measured, lines fitted")
    axes.grid(axis="y")
    axes.tick_params(labelbottom=False)
    bottom, top = axes.get_ylim()
    label_ends(axes, response.nodes, [float(v) for v in fitted[-1]], hues, (top - bottom) * 0.058)


def _range(values: Array, starts: Index) -> tuple[Array, Array]:
    """Lowest and highest of each cell, (c, m) each."""
    return np.fmin.reduceat(values, starts, axis=0), np.fmax.reduceat(values, starts, axis=0)
