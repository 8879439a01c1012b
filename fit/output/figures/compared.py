"""Measured against predicted, span by span, on one scale: 1 is the predicted value."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fit.assessment.decision import NON_CONFORMING
from fit.errors import NotIdentifiable
from fit.measurement.resolution import NOT_RESOLVED
from fit.notation import fixed
from fit.output.path_view import PathSpan, PathView
from fit.output.theme import colour, place_axes, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ROW_IN = 0.5  # two lines of text and a bar


def compared_figure(path: PathView, *, ax: Axes | None = None) -> Figure:
    """Draw every span's measured and predicted resistance over the predicted one.

    Args:
        path: nodes and spans.
        ax: axes to draw in; a new figure when None.

    Returns:
        The figure, with intervals of k = 2.

    Raises:
        NotIdentifiable: no span has both values.
    """
    spans = [s for s in path.spans if s.predicted_K_per_W and s.measured_K_per_W is not None]
    if not spans:
        raise NotIdentifiable(
            "no span is both measured and predicted, so nothing can be compared; check the run "
            "against a budget that shares two nodes with it"
        )
    with styled():
        height = ROW_IN * len(spans) + 1.05
        box = (0.04, 0.5 / height, 0.92, 1 - 0.85 / height)
        figure, axes = place_axes(ax, height, box)
        axes.set_ylim(len(spans) - 0.45, -0.85)
        axes.grid(axis="x")
        axes.axvline(1, color=colour("hair"), lw=1, zorder=0)
        for row, span in enumerate(spans):
            _draw(axes, span, row)
        low, high = axes.get_xlim()
        axes.set_xlim(min(low, 0.6), max(high, 1.5))
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        axes.set_xlabel("resistance, as a multiple of the predicted one (bars: k = 2)")
        _key(axes, spans[0])
        return figure


def _draw(axes: Axes, span: PathSpan, row: int) -> None:
    predicted = span.predicted_K_per_W or 1.0
    measured = (span.measured_K_per_W or 0.0) / predicted
    over = span.decision == NON_CONFORMING
    hue = colour("over") if over else colour("measured")
    half = 2 * (span.predicted_u_K_per_W or 0.0) / predicted
    axes.barh(row + 0.12, 2 * half, 0.34, 1 - half, color=colour("band"), zorder=0.5)
    axes.plot((1, 1), (row - 0.05, row + 0.29), color=colour("soft"), lw=1.2)
    if span.limit_K_per_W is not None:
        limit = span.limit_K_per_W / predicted
        axes.plot((limit, limit), (row - 0.08, row + 0.32), color=colour("over"), lw=1.6)
    if span.resolved:
        axes.errorbar(
            measured,
            row + 0.12,
            xerr=2 * (span.measured_u_K_per_W or 0.0) / predicted,
            fmt="o",
            ms=5.5,
            color=hue,
            elinewidth=1.6,
            capsize=3,
            zorder=3,
        )
    words = f"{span.name}: {f'{fixed(measured, 2)} times' if span.resolved else NOT_RESOLVED}"
    axes.annotate(
        words,
        (0, row - 0.24),
        xycoords=("axes fraction", "data"),
        va="center",
        color=colour("over-text") if over else colour("ink"),
        weight="bold" if over else "normal",
    )


def _key(axes: Axes, first: PathSpan) -> None:
    """Say above the first row what its marks are."""
    limit = None
    if first.limit_K_per_W is not None:
        limit = first.limit_K_per_W / (first.predicted_K_per_W or 1.0)
    # Each word on its own side: the limit may stand close to the predicted value.
    left, right = ("right", "left") if limit is None or limit >= 1 else ("left", "right")
    for word, x, side in (("predicted", 1.0, left), ("limit", limit, right)):
        if x is not None:
            hue = colour("over-text" if word == "limit" else "soft")
            axes.text(x, -0.6, f" {word} ", ha=side, va="center", size=8, color=hue)
