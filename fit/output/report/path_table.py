"""The heat path as one table: its nodes with their temperatures, its spans between them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from fit.assessment.decision import NON_CONFORMING
from fit.measurement.resolution import NOT_RESOLVED
from fit.notation import COVERAGE_FACTOR, fixed, with_expanded
from fit.output.report.rows import span_row

if TYPE_CHECKING:
    from markupsafe import Markup

    from fit.assessment.conformity import Verdict
    from fit.output.path_view import PathNode, PathSpan, PathView

# The picture of a span: as wide as its column on paper, as high as a line of text.
WIDTH, HEIGHT, MARK = 132.0, 15.0, 3.2
LEAST, MOST = 0.5, 1.6  # multiples of the predicted value that are always in the picture
FURTHEST = 3.0  # a span that is off by more stands at the edge: its number is beside it


@dataclass(frozen=True)
class PathRow:
    """One line: a node, or the span below it."""

    kind: str  # node | span
    state: str  # how it is drawn: measured | inferred of a node, known | over | unknown of a span
    cells: dict[str, str] = field(default_factory=dict)
    picture: Markup | str = ""


def path_table(path: PathView, verdict: Verdict | None, *, with_nodes: bool) -> list[PathRow]:
    """Every line of the path, heat source first.

    Args:
        path: nodes and spans.
        verdict: of the same run; None where no budget was given.
        with_nodes: whether the nodes stand between the spans; of branches they do not.

    Returns:
        The lines.
    """
    judged = verdict.spans if verdict else [None] * len(path.spans)
    scale = _scale(path)
    spans = [
        PathRow("span", _span_state(span), span_row(span, one), _picture(span, scale))
        for span, one in zip(path.spans, judged, strict=True)
    ]
    if not with_nodes:
        return spans
    nodes = [_node_row(node) for node in path.nodes]
    lines = [line for pair in zip(nodes, spans, strict=False) for line in pair]
    return [*lines, nodes[-1]]


def _node_row(node: PathNode) -> PathRow:
    measured = "not measured"
    if not node.settles:
        measured = NOT_RESOLVED
    elif node.degC is not None:
        measured = f"{with_expanded(node.degC, node.u_K)} °C" if node.u_K else ""
        measured = measured or f"{fixed(node.degC, 1)} °C"
    predicted = "" if node.predicted_degC is None else f"{fixed(node.predicted_degC, 1)} °C"
    filled = not node.inferred and (node.degC is not None or not node.settles)
    return PathRow(
        "node",
        "measured" if filled else "inferred",
        {
            "name": node.name,
            "measured": measured,
            "predicted": predicted,
            "note": "no thermocouple: from the budget" if node.inferred else "",
        },
    )


def _span_state(span: PathSpan) -> str:
    if span.decision == NON_CONFORMING:
        return "over"
    return "known" if span.resolved and span.measured_K_per_W is not None else "unknown"


def _scale(path: PathView) -> tuple[float, float]:
    """Lowest and highest multiple of the predicted value in every picture."""
    low, high = [LEAST], [MOST]
    for span in path.spans:
        predicted = span.predicted_K_per_W
        if predicted and span.measured_K_per_W is not None and span.resolved:
            half = COVERAGE_FACTOR * (span.measured_u_K_per_W or 0.0) / predicted
            low.append(span.measured_K_per_W / predicted - half)
            high.append(span.measured_K_per_W / predicted + half)
    return max(0.0, min(low)), min(FURTHEST, max(high))


def _picture(span: PathSpan, scale: tuple[float, float]) -> Markup | str:
    """Measured and predicted interval and the limit, over the predicted value."""
    from markupsafe import Markup

    predicted = span.predicted_K_per_W
    if not predicted:
        return ""
    low, high = scale

    def x(R_K_per_W: float) -> float:
        at = (R_K_per_W / predicted - low) / (high - low)
        return round(MARK + (WIDTH - 2 * MARK) * min(max(at, 0.0), 1.0), 1)

    middle = HEIGHT / 2
    half = COVERAGE_FACTOR * (span.predicted_u_K_per_W or 0.0)
    left, right = x(predicted - half), x(predicted + half)
    parts = [
        f'<rect x="{left}" y="2" width="{right - left:.1f}" height="{HEIGHT - 4}" '
        'fill="var(--band)"/>',
        f'<path d="M{x(predicted)} 2V{HEIGHT - 2}" stroke="var(--soft)"/>',
    ]
    if span.limit_K_per_W is not None:
        at = x(span.limit_K_per_W)
        parts.append(f'<path d="M{at} 0V{HEIGHT}" stroke="var(--over)" stroke-width="2"/>')
    said = "not measured"
    if span.measured_K_per_W is not None and span.resolved:
        R, u = span.measured_K_per_W, COVERAGE_FACTOR * (span.measured_u_K_per_W or 0.0)
        hue = "over" if span.decision == NON_CONFORMING else "measured"
        parts += [
            f'<path d="M{x(R - u)} {middle}H{x(R + u)}" stroke="var(--{hue})" stroke-width="2"/>',
            f'<circle cx="{x(R)}" cy="{middle}" r="{MARK}" fill="var(--{hue})"/>',
        ]
        said = f"{fixed(R / predicted, 2)} times the predicted"
    elif span.measured_K_per_W is not None:
        said = NOT_RESOLVED
    return Markup(
        f'<svg viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img" aria-label="{said}">'
        + "".join(parts)
        + "</svg>"
    )
