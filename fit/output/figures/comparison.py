"""A comparison as a picture: one panel a span, its value in every run, the trend with its band."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fit.errors import RecordError
from fit.measurement.resolution import NOT_RESOLVED
from fit.notation import COVERAGE_FACTOR
from fit.output.theme import LIGHT, styled
from fit.records.run import Array
from fit.statistics.comparison import Comparison, SpanComparison, resolved_readings

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, LINE, BAND = LIGHT["measured"], LIGHT["ink"], LIGHT["wash"]
NAMES_UP_TO = 8  # more overlap in a panel of this width


def comparison_figure(comparison: Comparison) -> Figure:
    """Draw every span of a comparison.

    Args:
        comparison: whose spans are drawn, against its quantity or else in the order of the runs.

    Returns:
        A figure on the Agg canvas, one panel a span.
    """
    with styled():
        return _drawn(comparison)


def _drawn(comparison: Comparison) -> Figure:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    columns = min(3, len(comparison.spans))
    rows = -(-len(comparison.spans) // columns)
    figure = Figure(figsize=(3.6 * columns, 2.9 * rows), layout="constrained")
    FigureCanvasAgg(figure)
    panels = figure.subplots(rows, columns, squeeze=False).ravel()
    known = resolved_readings(comparison.spans)
    for panel, span, resolved in zip(panels, comparison.spans, known, strict=False):
        _draw(panel, comparison, span, resolved)
    figure.supxlabel(
        "thin bar: k = 2; thick bar: the part that runs of one rig do not share", fontsize=8
    )
    for panel in panels[len(comparison.spans) :]:
        panel.remove()
    return figure


def save_figure(figure: Figure, path: Path) -> None:
    """Write a figure as PNG (or SVG, PDF, by its ending) to a new file.

    Args:
        figure: to be written.
        path: of the new file.

    Raises:
        RecordError: the file exists, cannot be written, or has an unknown ending.
    """
    if path.exists():
        raise RecordError(path, "", "exists already", "name a new file: nothing is written over")
    try:
        figure.savefig(path, dpi=150)
    except (OSError, ValueError) as error:
        raise RecordError(path, "", f"cannot be written ({error})", "name a .png file") from error


def _draw(
    panel: Axes, comparison: Comparison, span: SpanComparison, resolved: NDArray[np.bool_]
) -> None:
    """One span; a run that does not resolve it has no mark, and the title counts it."""
    x = np.arange(1.0, len(comparison.runs) + 1) if comparison.x is None else np.array(comparison.x)
    R = np.array([reading.R_K_per_W for reading in span.readings])
    whole = COVERAGE_FACTOR * np.array([reading.u_K_per_W for reading in span.readings])
    own = COVERAGE_FACTOR * np.array([reading.own_u_K_per_W for reading in span.readings])
    _draw_trend(panel, span, x)
    at, value = x[resolved], R[resolved]
    panel.errorbar(
        at, value, whole[resolved], fmt="none", ecolor=INK, elinewidth=0.8, capsize=2, zorder=3
    )
    panel.errorbar(at, value, own[resolved], fmt="o", ms=4, color=INK, elinewidth=3, zorder=4)
    panel.set_xlim(*_with_margin(x))
    title = span.name
    missing = int((~resolved).sum())
    if missing:
        title += f" ({NOT_RESOLVED} in {missing} of {len(x)} runs)"
    panel.grid(axis="y")
    panel.set_title(title, loc="left", fontsize=10 if not missing else 8)
    panel.set_ylabel("K/W", fontsize=8)
    panel.tick_params(labelsize=8)
    panel.spines[["top", "right"]].set_visible(False)
    if comparison.x is not None:
        panel.set_xlabel(comparison.against or "", fontsize=8)
    elif len(x) <= NAMES_UP_TO:
        panel.set_xticks(
            x, [_short(run.path.name) for run in comparison.runs], rotation=30, ha="right"
        )
    else:
        panel.set_xlabel("run", fontsize=8)


def _with_margin(x: Array) -> tuple[float, float]:
    low, high = float(x.min()), float(x.max())
    margin = max(0.08 * (high - low), 0.3 * (high - low) / (len(x) - 1 or 1)) or 0.5
    return low - margin, high + margin


def _draw_trend(panel: Axes, span: SpanComparison, x: Array) -> None:
    if span.trend is None:
        return
    along = np.linspace(x.min(), x.max(), 50)
    line, u = span.trend.at(along)
    half = COVERAGE_FACTOR * u
    panel.fill_between(along, line - half, line + half, color=BAND, lw=0, zorder=1)
    panel.plot(along, line, color=LINE, lw=1.3, zorder=2)


def _short(label: str) -> str:
    return label if len(label) <= 18 else f"{label[:17]}…"
