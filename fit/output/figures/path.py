"""The heat path as a ladder: temperature at every node, K/W on every span."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fit.assessment.decision import CONFORMING, NON_CONFORMING
from fit.measurement.resolution import NOT_RESOLVED
from fit.notation import digits, with_expanded
from fit.output.path_view import PathNode, PathSpan, PathView
from fit.output.theme import colour, place_axes, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

RUNG_IN = 0.74  # three lines of text a span
RAIL = 0.34  # where the path runs, as a share of the width
WORD = {CONFORMING: "within limit", NON_CONFORMING: "OVER LIMIT"}


def path_figure(path: PathView, *, ax: Axes | None = None) -> Figure:
    """Draw the heat path from the source down to ambient.

    Args:
        path: nodes and spans; unknown values are left out or marked.
        ax: axes to draw in; a new figure when None.

    Returns:
        The figure; intervals are expanded uncertainties, k = 2.
    """
    with styled():
        rungs = len(path.spans)
        figure, axes = place_axes(ax, RUNG_IN * rungs + 0.75, (0, 0, 1, 1))
        axes.set(xlim=(0, 1), ylim=(-rungs - 0.42, 0.6))
        axes.axis("off")
        predicted = any(span.predicted_K_per_W is not None for span in path.spans)
        axes.text(RAIL - 0.06, 0.42, "°C when settled", ha="right", color=colour("soft"), size=8)
        axes.text(RAIL + 0.06, 0.42, "K/W along the path", color=colour("soft"), size=8)
        for i, span in enumerate(path.spans):
            _draw_span(axes, span, -i, predicted)
        for i, node in enumerate(path.nodes):
            _draw_node(axes, node, -i)
        return figure


def _draw_node(axes: Axes, node: PathNode, y: float) -> None:
    filled = not node.inferred and (node.degC is not None or not node.settles)
    axes.plot(
        RAIL,
        y,
        "o",
        ms=8,
        mfc=colour("ink") if filled else colour("paper"),
        mec=colour("ink"),
        mew=1.2,
        zorder=3,
    )
    x = RAIL - 0.06
    axes.text(x, y + 0.12, node.name, ha="right", va="center", weight="bold")
    axes.text(x, y - 0.11, _temperature(node), ha="right", va="center", color=colour("ink"))
    second = []
    if node.inferred:
        second.append("from the budget")
    elif node.predicted_degC is not None and (node.degC is not None or not node.settles):
        second.append(f"predicted {node.predicted_degC:z.1f}")
    if second:
        axes.text(
            x, y - 0.32, ", ".join(second), ha="right", va="center", color=colour("soft"), size=8
        )


def _temperature(node: PathNode) -> str:
    if not node.settles:
        return NOT_RESOLVED
    if node.degC is None:
        if node.predicted_degC is None:
            return "not measured"
        return f"{node.predicted_degC:z.1f} °C predicted"
    if not node.u_K:
        return f"{node.degC:z.1f} °C"
    return f"{with_expanded(node.degC, node.u_K)} °C"


def _draw_span(axes: Axes, span: PathSpan, y: float, with_predicted: bool) -> None:
    over = span.decision == NON_CONFORMING
    hue = colour("over") if over else colour("ink")
    measured = span.measured_K_per_W is not None
    known = measured and span.resolved
    axes.plot(
        (RAIL, RAIL),
        (y, y - 1),
        color=hue if known else colour("soft"),
        lw=5 if over else 2.2,
        ls="-" if known else (0, (2, 2)),
        solid_capstyle="butt",
        zorder=2 if over else 1,
    )
    x = RAIL + 0.06
    text = colour("over-text") if over else colour("ink")
    axes.text(x, y - 0.27, _short(span.name), va="center", weight="bold", color=text)
    if measured:
        u = span.measured_u_K_per_W or 0.0
        value = with_expanded(span.measured_K_per_W or 0.0, u)
        words = f"measured {value}" if span.resolved else NOT_RESOLVED
        axes.text(x, y - 0.5, words, va="center", color=text)
        if span.decision:
            axes.text(
                0.99,
                y - 0.5,
                WORD.get(span.decision, "not decided"),
                va="center",
                ha="right",
                color=text,
                weight="bold" if over else "normal",
                size=8.5,
            )
    else:
        axes.text(x, y - 0.5, "not measured", va="center", color=colour("soft"))
    if with_predicted and span.predicted_K_per_W is not None:
        limit = f" · limit {digits(span.limit_K_per_W)}" if span.limit_K_per_W is not None else ""
        value = with_expanded(span.predicted_K_per_W, span.predicted_u_K_per_W or 0.0)
        axes.text(
            x,
            y - 0.72,
            f"predicted {value}{limit if measured else ''}",
            va="center",
            color=colour("soft"),
            size=8.5,
        )


def _short(name: str, length: int = 40) -> str:
    return name if len(name) <= length else f"{name[: length - 1]}…"
