"""Where each span's uncertainty comes from."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from fit.measurement.resolution import NOT_RESOLVED
from fit.measurement.spans import Spans
from fit.notation import digits, span_name
from fit.output.theme import colour, place_axes, styled
from fit.records.run import Array

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WORDS = {
    "fit": "fit",
    "discrepancy": "heat still stored at the end",
    "offset": "zero-power offset",
    "sensor_match": "sensor match",
    "power": "power reading",
    "path_share": "share of the power on this path",
}


def in_words(source: str) -> str:
    """What a source of uncertainty is called.

    Args:
        source: name of a contribution.

    Returns:
        The words.
    """
    return WORDS.get(source, source.replace("_", " "))


def contributions(spans: Spans, share_u_relative: float = 0.0) -> dict[str, Array]:
    """Standard uncertainty by source, relative to the span's resistance.

    Args:
        spans: as measured.
        share_u_relative: relative standard uncertainty of the power's share on this path.

    Returns:
        Relative standard uncertainties (s,) by name of the source.
    """
    R = np.abs(spans.R_K_per_W)
    parts = {
        name: np.sqrt(np.maximum(np.diag(matrix), 0.0)) / R
        for name, matrix in spans.covariance.items()
    }
    if share_u_relative:
        parts["path_share"] = np.full(len(R), share_u_relative)
    return parts


def uncertainty_figure(
    spans: Spans,
    share_u_relative: float = 0.0,
    names: Mapping[tuple[str, str], str] | None = None,
    *,
    ax: Axes | None = None,
) -> Figure:
    """Draw each span's expanded uncertainty (k = 2), and beneath it the sources it is made of.

    Args:
        spans: as measured.
        share_u_relative: relative standard uncertainty of the power's share on this path.
        names: of the spans by their ends; those not in it are named by their ends.
        ax: axes to draw in; a new figure when None.

    Returns:
        The figure. Sources add in squares: the long bar is shorter than the short ones in a row.
    """
    parts = contributions(spans, share_u_relative)
    sources = [name for name in parts if np.any(parts[name] > 0)]
    total = np.sqrt(np.sum([part**2 for part in parts.values()], axis=0))
    rows, resolved = len(total), spans.resolved
    with styled():
        step = 0.13 * len(sources) + 0.32
        height = rows * step + 0.8
        box = (0.04, 0.44 / height, 0.92, 1 - 0.7 / height)
        figure, axes = place_axes(ax, height, box)
        axes.set_ylim(rows * step, -0.08)
        for row in range(rows):
            y = row * step
            value = f"± {digits(200 * total[row], 2)} %" if resolved[row] else NOT_RESOLVED
            link = spans.topology.links[row]
            title = f"{(names or {}).get(link) or span_name((), *link)}: {value}"
            axes.text(0, y + 0.07, title, va="center", weight="bold")
            if not resolved[row]:
                continue
            axes.barh(y + 0.19, 200 * total[row], 0.1, color=colour("ink"))
            for i, name in enumerate(sources):
                at = y + 0.31 + 0.13 * i
                width = 200 * float(parts[name][row])
                axes.barh(at, width, 0.09, color=colour("measured"))
                axes.annotate(
                    in_words(name),
                    (width, at),
                    xytext=(4, 0),
                    textcoords="offset points",
                    va="center",
                    size=7.5,
                    color=colour("soft"),
                )
        longest = float(np.max(total, initial=0.0, where=resolved))
        axes.set_xlim(0, 1.45 * 200 * (longest or 0.01))
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        axes.set_xlabel("expanded uncertainty, % of the span's resistance (k = 2)")
        axes.set_title("first bar: all together; below it, each source")
        return figure
