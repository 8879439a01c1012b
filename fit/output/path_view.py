"""The heat path as it is shown: every node with its temperature, every span with its K/W."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fit.assessment.conformity import resolved_verdicts
from fit.measurement.resolution import RESOLVED
from fit.notation import span_name

if TYPE_CHECKING:
    from fit.assessment.conformity import SpanVerdict, Verdict
    from fit.measurement.spans import Spans

Reading = tuple[float, float]  # temperature [degC], standard uncertainty [K]


@dataclass(frozen=True)
class PathNode:
    """One node at the settled end of the heat run; None where nothing is known."""

    name: str
    degC: float | None
    u_K: float | None  # standard uncertainty of its rise above the last measured node
    predicted_degC: float | None = None
    inferred: bool = False  # not measured: the next node's reading plus the budget's drop
    settles: bool = True  # the record resolves its settled temperature, where it was measured


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
    resolved: bool = True  # the record carries it; else its value measures nothing

    @property
    def name(self) -> str:
        """Its stages, else its two nodes."""
        return span_name(self.stages, self.from_node, self.to_node)


@dataclass(frozen=True)
class PathView:
    """Nodes and the spans between them, heat source first."""

    nodes: tuple[PathNode, ...]
    spans: tuple[PathSpan, ...]


def heat_path(spans: Spans, verdict: Verdict | None = None) -> PathView:
    """Measured nodes and spans, with the predicted ones where there is a verdict.

    Args:
        spans: as measured; resistances per watt of the recorded power.
        verdict: of the same run; resistances are then per watt along the path.

    Returns:
        Nodes and spans, heat source first.
    """
    if verdict is None:
        return _measured_alone(spans)
    if spans.tree is not None:
        return _with_branches(spans, verdict)
    names = [span.from_node for span in verdict.spans] + [verdict.spans[-1].to_node]
    readings = _readings(spans)
    resolved = resolved_verdicts(verdict.spans)
    return PathView(
        tuple(_node(i, names, readings, verdict) for i in range(len(names))),
        tuple(_span(span, one) for span, one in zip(verdict.spans, resolved, strict=True)),
    )


def _with_branches(spans: Spans, verdict: Verdict) -> PathView:
    """The measured nodes of a tree and its spans; parts that nobody measured are left out."""
    readings, prediction = _readings(spans), verdict.prediction
    predicted = {name: prediction.ambient_degC + rise for name, rise in prediction.rise_K.items()}
    judged = {(one.from_node, one.to_node): one for one in verdict.spans}
    ends = spans.topology.links
    return PathView(
        tuple(_measured_node(name, readings[name], predicted.get(name)) for name in spans.nodes),
        tuple(
            _span(judged[link], bool(known))
            for link, known in zip(ends, spans.resolved, strict=True)
            if link in judged
        ),
    )


def _measured_alone(spans: Spans) -> PathView:
    u = np.sqrt(np.diag(spans.total_covariance))
    readings = _readings(spans)
    return PathView(
        tuple(_measured_node(name, readings[name]) for name in spans.nodes),
        tuple(
            PathSpan(
                *ends,
                measured_K_per_W=float(spans.R_K_per_W[i]),
                measured_u_K_per_W=float(u[i]),
                resolved=bool(spans.resolved[i]),
            )
            for i, ends in enumerate(spans.topology.links)
        ),
    )


def _readings(spans: Spans) -> dict[str, Reading | None]:
    """Node -> temperature at the settled end [degC], standard uncertainty of its rise [K].

    None for a node whose settled temperature the record does not resolve.
    """
    covariance = spans.total_covariance
    readings: dict[str, Reading | None] = {}
    ways = [*spans.topology.ways, np.zeros(len(spans.R_K_per_W))]
    for i, (name, way) in enumerate(zip(spans.nodes, ways, strict=True)):
        variance = max(0.0, float(way @ covariance @ way)) * spans.power_W**2
        u_K = math.sqrt(variance)
        rise_K = abs(spans.final_degC[i] - spans.final_degC[-1])
        known = math.isfinite(spans.final_degC[i]) and u_K <= RESOLVED * rise_K
        if i == len(spans.nodes) - 1:
            known = math.isfinite(spans.final_degC[i])
        readings[name] = (float(spans.final_degC[i]), u_K) if known else None
    return readings


def _measured_node(
    name: str, reading: Reading | None, predicted_degC: float | None = None
) -> PathNode:
    if reading is None:
        return PathNode(name, None, None, predicted_degC, settles=False)
    return PathNode(name, *reading, predicted_degC)


def _node(
    i: int, names: list[str], readings: dict[str, Reading | None], verdict: Verdict
) -> PathNode:
    name = names[i]
    rise = verdict.prediction.rise_K.get(name)
    predicted = verdict.prediction.ambient_degC + rise if rise is not None else None
    if name in readings:
        return _measured_node(name, readings[name], predicted)
    below = readings.get(names[i + 1]) if i + 1 < len(names) else None
    if below is not None:
        above = _inferred(below, verdict, verdict.spans[i])
        return PathNode(name, *above, predicted, inferred=True)
    return PathNode(name, None, None, predicted)


def _inferred(below: Reading, verdict: Verdict, span: SpanVerdict) -> Reading:
    """A node without a sensor: the reading of the node below it plus the predicted drop."""
    heat_W = verdict.prediction.power_W * verdict.prediction.budget.conditions.path_fraction
    return (
        below[0] + heat_W * span.predicted_K_per_W,
        math.hypot(below[1], heat_W * span.predicted_u_K_per_W),
    )


def _span(span: SpanVerdict, resolved: bool) -> PathSpan:
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
        resolved,
    )
