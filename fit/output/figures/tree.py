"""A heat path with branches: every part's own way down to the node where they meet, and on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fit.assessment.decision import NON_CONFORMING
from fit.measurement.resolution import NOT_RESOLVED
from fit.notation import with_expanded
from fit.output.figures.path import WORD
from fit.output.path_view import PathNode, PathSpan, PathView
from fit.output.theme import colour, new_figure, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

RUNG_IN = 0.95  # from a node to the next
LONGEST_NAME = 20  # characters between two branches; a longer one runs into the next


def tree_figure(path: PathView) -> Figure:
    """Draw a heat path whose branches meet, heat from above, the air below.

    Args:
        path: nodes, and the spans between them; one span leaves every node but the last.

    Returns:
        A figure; intervals are expanded uncertainties, k = 2.
    """
    onward = {span.from_node: span for span in path.spans}
    column, row = _places(path)
    with styled():
        deepest = max(row.values())
        figure = new_figure(RUNG_IN * deepest + 0.7)
        axes = figure.add_axes((0, 0, 1, 1))
        widest = max(column.values()) + 1
        axes.set(xlim=(-0.08 * widest, 0.97 * widest), ylim=(-deepest - 0.35, 0.35))
        axes.axis("off")
        for node in path.nodes:
            x, y = column[node.name], -row[node.name]
            if node.name in onward:
                span = onward[node.name]
                _draw_span(axes, span, (x, y), (column[span.to_node], -row[span.to_node]))
            _draw_node(axes, node, x, y)
        return figure


def _places(path: PathView) -> tuple[dict[str, float], dict[str, int]]:
    """Column and row of every node: the last at the bottom, branches side by side."""
    onward = {span.from_node: span.to_node for span in path.spans}
    ways = {}
    for node in (one.name for one in path.nodes):
        way = [node]
        while way[-1] in onward:
            way.append(onward[way[-1]])
        ways[node] = way
    deepest = max(len(way) for way in ways.values()) - 1
    row = {node: deepest - (len(way) - 1) for node, way in ways.items()}
    tips = [node for node in ways if node not in onward.values()]
    branch = {node: i for i, tip in enumerate(tips) for node in ways[tip]}
    # A node that several branches share stands in the first one's column.
    for i, tip in reversed(list(enumerate(tips))):
        branch |= dict.fromkeys(ways[tip], i)
    return {node: float(at) for node, at in branch.items()}, row


def _draw_node(axes: Axes, node: PathNode, x: float, y: float) -> None:
    filled = node.degC is not None and not node.inferred
    face = colour("ink") if filled else colour("paper")
    axes.plot(x, y, "o", ms=8, mfc=face, mec=colour("ink"), mew=1.2, zorder=3)
    reading = NOT_RESOLVED if node.degC is None else f"{node.degC:z.1f} °C"
    axes.text(x + 0.05, y + 0.13, node.name, va="center", weight="bold", size=8.5)
    axes.text(x + 0.05, y - 0.13, reading, va="center", size=8)


def _draw_span(
    axes: Axes, span: PathSpan, start: tuple[float, float], end: tuple[float, float]
) -> None:
    over = span.decision == NON_CONFORMING
    hue = colour("over") if over else colour("ink")
    known = span.resolved and span.measured_K_per_W is not None
    # Down its own column, then across to where the branches meet.
    axes.plot(
        (start[0], start[0], end[0]),
        (start[1], end[1], end[1]),
        color=hue if known else colour("soft"),
        lw=4 if over else 2,
        ls="-" if known else (0, (2, 2)),
        zorder=2 if over else 1,
    )
    text = colour("over-text") if over else colour("ink")
    x, y = start[0] + 0.05, start[1]
    name = span.name if len(span.name) <= LONGEST_NAME else f"{span.name[: LONGEST_NAME - 1]}…"
    axes.text(x, y - 0.34, name, va="center", color=text, size=8.5)
    value = NOT_RESOLVED
    if known:
        value = with_expanded(span.measured_K_per_W or 0.0, span.measured_u_K_per_W or 0.0)
    axes.text(x, y - 0.52, value, va="center", color=text, size=8.5)
    if span.decision is not None:
        word = WORD.get(span.decision, "not decided")
        weight = "bold" if over else "normal"
        axes.text(x, y - 0.7, word, va="center", color=text, size=8, weight=weight)
