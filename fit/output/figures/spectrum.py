"""Time-constant spectrum of the heated node, and capacity over resistance along the path."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from fit.compact_model.structure_function import (
    Spectrum,
    cumulative_curve,
    heated_impedance,
    time_constant_spectrum,
)
from fit.errors import NotIdentifiable
from fit.output.documents import Ladder, heated_ladder, resistance_unit
from fit.output.theme import colour, new_figure, response_colours, spread_labels, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from fit.identification.response import Response

ITERATIONS = 1000  # more sharpen the noise along with the peaks
# The figure, its upper and its lower panel: as high as the tables that stand beside it.
HEIGHT_IN, SPECTRUM_IN, CUMULATIVE_IN = 5.15, 1.25, 1.75
NAMES_IN = 0.66  # for the nodes' names above the lower panel
LEFT, WIDTH = 0.13, 0.77  # of the figure: room for tick labels of four digits


def spectrum_figure(response: Response, colours: Mapping[str, str] | None = None) -> Figure:
    """Draw the heated node's time-constant spectrum, and capacity met over resistance passed.

    Args:
        response: as identified.
        colours: of the nodes; their own order decides when None.

    Returns:
        Dots and steps are the fit's, the filled curve and the thin line come from the readings by
        deconvolution.

    Raises:
        NotIdentifiable: the fit has no ladder.
    """
    ladder = heated_ladder(response) if response.power else None
    if ladder is None:
        raise NotIdentifiable(
            f"{response.foster_node} does not rise with the power: there is no ladder to draw"
        )
    measured = heated_impedance(response)
    spectrum = None
    if measured is not None:
        spectrum = time_constant_spectrum(
            *measured, iterations=ITERATIONS, lag_s=ladder.network.lag_s
        )
    with styled():
        figure = new_figure(HEIGHT_IN)
        bottom = 0.47
        low = figure.add_axes((LEFT, bottom / HEIGHT_IN, WIDTH, CUMULATIVE_IN / HEIGHT_IN))
        bottom = HEIGHT_IN - 0.3 - SPECTRUM_IN
        top = figure.add_axes((LEFT, bottom / HEIGHT_IN, WIDTH, SPECTRUM_IN / HEIGHT_IN))
        unit = resistance_unit(response.power_unit)
        _draw_spectrum(top, ladder, spectrum)
        whose = ": dots the fit's, area the readings'" if spectrum is not None else ""
        top.set_title(f"time constants of {response.foster_node}, {unit}{whose}")
        _draw_cumulative(low, ladder, spectrum)
        _mark_nodes(low, response, ladder, response_colours(response, colours))
        capacity = "J/K" if response.power_unit == "W" else f"{response.power_unit}·s/K"
        whose = ": steps the fit's, line the readings'" if spectrum is not None else ""
        figure.text(
            LEFT,
            (0.47 + CUMULATIVE_IN + NAMES_IN) / HEIGHT_IN,
            f"heat capacity met, {capacity}{whose}",
            size=8.5,
        )
        beyond = "" if response.settled else " (not settled: more lies beyond the record)"
        low.set_xlabel(f"resistance passed from {response.foster_node}, {unit}{beyond}")
        return figure


def _draw_spectrum(axes: Axes, ladder: Ladder, spectrum: Spectrum | None) -> None:
    axes.set_xscale("log")
    tau, R = ladder.network.tau_s, ladder.network.R_K_per_W
    if spectrum is not None:
        axes.fill_between(
            spectrum.tau_s, spectrum.density_K_per_W, color=colour("band"), lw=0, zorder=1
        )
        axes.plot(
            spectrum.tau_s, spectrum.density_K_per_W, color=colour("measured"), lw=1, zorder=2
        )
    axes.vlines(tau, 0, R, color=colour("ink"), lw=1.4, zorder=3)
    axes.plot(tau, R, "o", ms=4, color=colour("ink"), zorder=4)
    all_tau = tau if spectrum is None else np.append(tau, spectrum.tau_s)
    axes.set_xlim(float(all_tau.min()) / 1.5, float(all_tau.max()) * 1.5)
    axes.set_ylim(0, None)
    axes.margins(y=0.06)
    axes.set_xlabel("time constant, s")
    axes.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
    axes.minorticks_off()


def _draw_cumulative(axes: Axes, ladder: Ladder, spectrum: Spectrum | None) -> None:
    axes.set_yscale("log")
    met = np.cumsum(ladder.C_J_per_K)
    passed = np.concatenate([[0.0], np.cumsum(ladder.R_K_per_W)])
    total = float(passed[-1])
    floor, ceiling = float(met[0]) / 8, float(met[-1]) * 30
    if spectrum is not None:
        curve = cumulative_curve(spectrum.R_K_per_W, spectrum.tau_s)
        axes.plot(
            np.append(curve.R_K_per_W, curve.total_K_per_W),
            np.append(curve.C_J_per_K, max(ceiling, 2 * float(curve.C_J_per_K[-1]))),
            color=colour("measured"),
            lw=1.2,
            zorder=3,
        )
    axes.step(passed, np.append(met, ceiling * 10), color=colour("ink"), lw=1.4, where="post")
    axes.vlines(0, floor, met[0], color=colour("ink"), lw=1.4)
    axes.set_xlim(-0.01 * total, 1.04 * total)
    axes.set_ylim(floor, ceiling)
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    axes.minorticks_off()
    axes.grid(axis="y")
    axes.set_axisbelow(True)


def _mark_nodes(axes: Axes, response: Response, ladder: Ladder, hues: Mapping[str, str]) -> None:
    """A line at each measured node, at the resistance between the heated node and it."""
    heated = response.nodes.index(response.foster_node)
    total = float(response.total_K_per_W[heated])
    scale = float(ladder.R_K_per_W.sum()) / total
    names = [*response.nodes, *([response.reference] if response.reference else [])]
    places = [scale * (total - float(R)) for R in (*response.total_K_per_W, 0.0)][: len(names)]
    low, high = axes.get_xlim()
    shown = [i for i, place in enumerate(places) if low <= place <= high]
    spread = spread_labels([places[i] for i in shown], 0.06 * (high - low), low, high)
    for i, label in zip(shown, spread, strict=True):
        axes.axvline(places[i], color=hues[names[i]], lw=1.2, ls=(0, (4, 3)), zorder=1)
        axes.annotate(
            names[i],
            (places[i], 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(label, 1.03),
            textcoords=("data", "axes fraction"),
            rotation=35,
            ha="left",
            va="bottom",
            rotation_mode="anchor",
            size=8,
            color=colour("ink"),
        )
