"""The heat path as it is shown: every node with its temperature, every span with its K/W."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from fit.check import SpanVerdict, Verdict
    from fit.spans import Spans


@dataclass(frozen=True)
class PathNode:
    """One node at the settled end of the heat run; None where nothing is known."""

    name: str
    degC: float | None
    u_K: float | None  # standard uncertainty of its rise above the last measured node
    predicted_degC: float | None = None
    inferred: bool = False  # not measured: the next node's reading plus the budget's drop


@dataclass(frozen=True)
class PathSpan:
    """One span; None where nothing was measured, or no budget was given."""

    from_node: str
    to_node: str
    stages: tuple[str, ...] = ()
    measured_K_per_W: float | None = None
    measured_u_K_per_W: float | None = None
    predicted_K_per_W: float | None = None
    predicted_u_K_per_W: float | None = None
    limit_K_per_W: float | None = None
    decision: str | None = None  # conforming | non-conforming | undecided

    @property
    def name(self) -> str:
        """Its stages, else its two nodes."""
        return " + ".join(self.stages) if self.stages else f"{self.from_node} – {self.to_node}"


@dataclass(frozen=True)
class HeatPath:
    """Nodes and the spans between them, heat source first."""

    nodes: tuple[PathNode, ...]
    spans: tuple[PathSpan, ...]


def heat_path(spans: Spans, verdict: Verdict | None = None) -> HeatPath:
    """Lay out what was measured, beside what was predicted where there is a verdict.

    Args:
        spans: as measured; resistances per watt of the recorded power.
        verdict: of the same run; resistances are then per watt along the path.
    """
    if verdict is None:
        return _measured_alone(spans)
    names = [span.from_node for span in verdict.spans] + [verdict.spans[-1].to_node]
    readings = _readings(spans)
    return HeatPath(
        tuple(_node(i, names, readings, verdict) for i in range(len(names))),
        tuple(_span(span) for span in verdict.spans),
    )


def _measured_alone(spans: Spans) -> HeatPath:
    u = np.sqrt(np.diag(spans.total_covariance))
    readings = _readings(spans)
    return HeatPath(
        tuple(PathNode(name, *readings.get(name, (None, None))) for name in spans.nodes),
        tuple(
            PathSpan(
                spans.nodes[i],
                spans.nodes[i + 1],
                measured_K_per_W=float(spans.R_K_per_W[i]),
                measured_u_K_per_W=float(u[i]),
            )
            for i in range(len(spans.R_K_per_W))
        ),
    )


def _readings(spans: Spans) -> dict[str, tuple[float, float]]:
    """Node -> temperature at the settled end [degC], standard uncertainty of its rise [K]."""
    covariance = spans.total_covariance
    readings = {}
    for i, name in enumerate(spans.nodes):
        below = np.arange(len(spans.R_K_per_W)) >= i
        variance = max(0.0, float(below @ covariance @ below)) * spans.power_W**2
        if math.isfinite(spans.final_degC[i]):
            readings[name] = (float(spans.final_degC[i]), math.sqrt(variance))
    return readings


def _node(
    i: int, names: list[str], readings: dict[str, tuple[float, float]], verdict: Verdict
) -> PathNode:
    name = names[i]
    rise = verdict.prediction.rise_K.get(name)
    predicted = verdict.prediction.ambient_degC + rise if rise is not None else None
    if name in readings:
        return PathNode(name, *readings[name], predicted)
    if i + 1 < len(names) and names[i + 1] in readings:
        above = _inferred(readings[names[i + 1]], verdict, verdict.spans[i])
        return PathNode(name, *above, predicted, inferred=True)
    return PathNode(name, None, None, predicted)


def _inferred(
    below: tuple[float, float], verdict: Verdict, span: SpanVerdict
) -> tuple[float, float]:
    """A node nobody can reach: the reading of the node below it plus the predicted drop."""
    heat_W = verdict.prediction.power_W * verdict.prediction.budget.conditions.path_fraction
    return (
        below[0] + heat_W * span.predicted_K_per_W,
        math.hypot(below[1], heat_W * span.predicted_u_K_per_W),
    )


def _span(span: SpanVerdict) -> PathSpan:
    return PathSpan(
        span.from_node,
        span.to_node,
        span.stages,
        span.measured_K_per_W,
        span.measured_u_K_per_W,
        span.predicted_K_per_W,
        span.predicted_u_K_per_W,
        span.limit_K_per_W,
        span.decision if span.measured_K_per_W is not None else None,
    )
