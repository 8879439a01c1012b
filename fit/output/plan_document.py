"""A plan as the contract's JSON document: `heatrun plan --json`."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fit.planning.experiment import Plan, SpanPlan

PLAN = "heatrun.plan/1"


def plan_document(plan: Plan) -> dict[str, object]:
    """The plan as `heatrun.plan/1`.

    `u_K_per_W` is expected at the end of heating; `decided_after_s` is null where the span never
    is. The span of a junction read by its forward voltage has `u_by_source_K_per_W` too.

    Args:
        plan: of a run.

    Returns:
        The document, of plain Python values.
    """
    return {
        "schema": PLAN,
        "spans": [
            {
                "from": span.from_node,
                "to": span.to_node,
                "stages": list(span.stages),
                "R_K_per_W": span.R_K_per_W,
                "u_K_per_W": span.u_K_per_W,
                "decided_after_s": span.decided_after_s,
                "p_conforming": span.p_conforming,
                "p_non_conforming": span.p_non_conforming,
                "detectable_excess_K_per_W": span.detectable_excess_K_per_W,
                **_by_source(span),
            }
            for span in plan.spans
        ],
        "thermocouples": [
            {"node": one.node, "u_without": dict(one.u_without)} for one in plan.thermocouples
        ],
        "warnings": list(plan.warnings),
    }


def _by_source(span: SpanPlan) -> dict[str, object]:
    """What a junction's standard uncertainty is made of [K/W]."""
    if not span.by_voltage:
        return {}
    return {"u_by_source_K_per_W": {name: u for name, u in span.parts.items() if u > 0}}
