"""Measured curves with the fit, and what is left over, in log time from the power step."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fit.errors import NotIdentifiable
from fit.identification.response import Response
from fit.output.theme import (
    colour,
    label_ends,
    new_figure,
    response_colours,
    shortened,
    styled,
    width_beside,
)
from fit.records.run import Array

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BINS_PER_DECADE = 16  # dots with a gap between them at four decades over the width
STRIP_IN = 0.34  # a strip of residuals is as high as its node's name needs
CURVES_IN = 2.4  # with strips for six nodes the figure still fits on a screen


@dataclass(frozen=True, eq=False)
class Binned:
    """One phase in cells of log time; m nodes, c cells that hold a sample."""

    t_s: Array  # (c,) mean time since the step [s]
    measured_K: Array  # (c, m)
    fitted_K: Array  # (c, m)
    u_K: Array  # (c, m) standard uncertainty of the measured mean
    title: str


def curves_figure(response: Response, colours: Mapping[str, str] | None = None) -> Figure:
    """Draw every node's rise after the first power step, with the fit and its residuals.

    Args:
        response: as identified.
        colours: of the nodes; their own order decides when None.

    Returns:
        The figure, bars k = 2.

    Raises:
        NotIdentifiable: fewer than three cells of log time hold a reading.
    """
    binned = bin_log_time(response)
    if len(binned.t_s) < 3:
        raise NotIdentifiable(
            "the record ends too soon after the power step for a curve over log time; record on"
        )
    m = len(response.nodes)
    known = response_colours(response, colours)
    hues = [known[node] for node in response.nodes]
    with styled():
        height = CURVES_IN + STRIP_IN * m + 1.0
        figure = new_figure(height)
        left = 0.1
        width = width_beside(response.nodes, left)
        top = figure.add_axes((left, (0.72 + STRIP_IN * m) / height, width, CURVES_IN / height))
        _draw_curves(top, binned, response, hues)
        reach = _reach(binned)
        for j in range(m):
            bottom = (0.46 + STRIP_IN * (m - 1 - j)) / height
            strip = figure.add_axes((left, bottom, width, 0.86 * STRIP_IN / height), sharex=top)
            _draw_residual(strip, binned, j, reach, hue=hues[j], last=j == m - 1)
            strip.text(
                1.06, 0.5, shortened(response.nodes[j]), transform=strip.transAxes, va="center"
            )
        figure.text(
            left,
            (0.46 + STRIP_IN * m + 0.02) / height,
            f"measured minus fitted, K (each strip ±{reach:.2g} K, bars: k = 2)",
            color=colour("soft"),
            size=8.5,
        )
        return figure


def bin_log_time(response: Response) -> Binned:
    """Average the first phase with power (else the whole record) in even cells of log time.

    Args:
        response: as identified.

    Returns:
        Means of readings and fit in each cell that holds a sample.
    """
    signals = response.signals
    edges = signals.power_edges_s
    start = edges[0] if edges else float(signals.t_s[0])
    end = edges[1] if len(edges) > 1 else np.inf
    since = signals.t_s - start
    use = np.flatnonzero((since > 0) & (signals.t_s < end))
    offset_u = _offset_u(response)
    m = len(response.nodes)
    if not len(use):
        empty = np.empty((0, m))
        return Binned(np.empty(0), empty, empty, empty, "")
    cell = np.floor(np.log10(since[use]) * BINS_PER_DECADE).astype(int)
    starts = np.flatnonzero(np.diff(cell, prepend=cell[0] - 1))
    fitted = response.fitted_K[use]
    measured = fitted + response.residual_K[use]
    there = np.isfinite(measured)
    count = np.add.reduceat(there.astype(float), starts, axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.add.reduceat(np.where(there, measured, 0.0), starts, axis=0) / count
        fit = np.add.reduceat(np.where(there, fitted, 0.0), starts, axis=0) / count
        left = np.where(there, response.residual_K[use], 0.0)
        noise = np.nanstd(response.residual_K[use], axis=0)
        scatter = np.add.reduceat(left**2, starts, axis=0) / count - (mean - fit) ** 2
        u = np.sqrt(np.maximum(scatter, 0.25 * noise**2) / count + offset_u**2)
    size = np.diff(np.append(starts, len(use)))
    t = np.exp(np.add.reduceat(np.log(since[use]), starts) / size)
    title = "after the power step" if edges else "from the start of the record"
    return Binned(t, mean, fit, u, title)


def _offset_u(response: Response) -> Array:
    """Standard uncertainty (m,) [K] that the zero-power offset leaves in each node's rise."""
    signals = response.signals
    u = np.nan_to_num(signals.zero_power_offset_u_K)
    reference = u[signals.nodes.index(response.reference)] if response.reference else 0.0
    return np.array([np.hypot(u[signals.nodes.index(node)], reference) for node in response.nodes])


def _draw_curves(axes: Axes, binned: Binned, response: Response, hues: Sequence[str]) -> None:
    axes.set_xscale("log")
    for j in range(len(response.nodes)):
        axes.errorbar(
            binned.t_s,
            binned.measured_K[:, j],
            yerr=2 * binned.u_K[:, j],
            fmt="o",
            ms=2.6,
            color=hues[j],
            elinewidth=0.9,
            zorder=2,
        )
        axes.plot(binned.t_s, binned.fitted_K[:, j], color=colour("ink"), lw=0.9, zorder=3)
    axes.margins(x=0.01, y=0.04)
    quantity = f"rise above {response.reference}, K" if response.reference else "readings, °C"
    axes.set_title(f"{quantity}: dots measured, lines fitted")
    axes.grid(axis="y")
    axes.tick_params(labelbottom=False, which="both")
    axes.minorticks_off()
    ends = [float(v) for v in binned.fitted_K[-1]]
    low, high = axes.get_ylim()
    label_ends(
        axes,
        response.nodes,
        ends,
        hues,
        (high - low) * 0.058,
    )


def _reach(binned: Binned) -> float:
    """Half the height of the residual strips [K]; what is beyond is an arrow at the edge."""
    size = np.abs(binned.measured_K - binned.fitted_K) + 2 * binned.u_K
    return float(min(np.nanmax(size), 3 * np.nanpercentile(size, 85))) or 1.0


def _draw_residual(
    axes: Axes, binned: Binned, j: int, reach: float, *, hue: str, last: bool
) -> None:
    residual = binned.measured_K[:, j] - binned.fitted_K[:, j]
    inside = np.abs(residual) <= reach
    axes.axhline(0, color=colour("hair"), lw=0.8)
    axes.errorbar(
        binned.t_s[inside],
        residual[inside],
        yerr=2 * binned.u_K[inside, j],
        fmt="o",
        ms=2,
        color=hue,
        elinewidth=0.8,
    )
    for beyond, marker in ((residual > reach, "^"), (residual < -reach, "v")):
        edge = 0.95 * np.sign(residual[beyond]) * reach
        axes.plot(binned.t_s[beyond], edge, marker, ms=4, mfc="none", color=hue)
    axes.set_ylim(-1.1 * reach, 1.1 * reach)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.minorticks_off()
    axes.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
    if last:
        axes.set_xlabel(f"time {binned.title}, s")
    else:
        axes.spines["bottom"].set_visible(False)
        axes.tick_params(bottom=False, labelbottom=False)
