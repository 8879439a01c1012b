"""Many units as a JSON document: `heatrun units --json`."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

from fit.statistics.population import LEVEL

if TYPE_CHECKING:
    from fit.statistics.conforming_share import Yield
    from fit.statistics.population import Population
    from fit.statistics.units import SpanOfUnits, Units, UnitSpan

UNITS = "heatrun.units/1"


def units_document(units: Units) -> dict[str, object]:
    """The units as `heatrun.units/1`.

    Args:
        units: put together.

    Returns:
        The document, of plain Python values.
    """
    return {
        "schema": UNITS,
        "units": len(units.units),
        "superseded": units.superseded,
        "not_read": [{"run": row.run, "error": row.error} for row in units.not_read],
        "yield": _yield(units.conforming),
        "spread_prior": {"kind": "half-normal", "relative_scale": units.relative_scale},
        "spans": [_span(span) for span in units.spans],
        "worst": [_worst(one) for one in units.worst],
        "warnings": list(units.warnings),
    }


def _yield(counted: Yield) -> dict[str, object]:
    return asdict(counted)


def _span(span: SpanOfUnits) -> dict[str, object]:
    return {
        "from": span.ends[0],
        "to": span.ends[1],
        "stages": list(span.stages),
        "predicted_K_per_W": span.predicted_K_per_W,
        "limit_K_per_W": span.limit_K_per_W,
        "left_out": span.left_out,
        "yield": _yield(span.conforming),
        "distribution": None if span.population is None else _distribution(span.population),
        "drift": [asdict(one) for one in span.drift],
        "apart": [one.unit.name for one in span.apart],
    }


def _distribution(found: Population) -> dict[str, object]:
    return {
        "units": found.units,
        "mean_K_per_W": found.mean_K_per_W,
        "mean_u_K_per_W": found.mean_u_K_per_W,
        "spread": {
            "sd_K_per_W": found.spread_K_per_W,
            "low_K_per_W": found.spread_low_K_per_W,
            "high_K_per_W": found.spread_high_K_per_W,
        },
        "next_unit": {
            "probability": LEVEL,
            "low_K_per_W": found.next_low_K_per_W,
            "high_K_per_W": found.next_high_K_per_W,
            "p_within_limit": found.p_next_within,
        },
        "tolerance": {
            "share": LEVEL,
            "confidence": LEVEL,
            "low_K_per_W": found.tolerance_low_K_per_W,
            "high_K_per_W": found.tolerance_high_K_per_W,
        },
    }


def _worst(one: UnitSpan) -> dict[str, object]:
    unit, span = one.unit, one.span
    return {
        "unit": unit.unit,
        "run": unit.run,
        "decision": unit.decision,
        "from": span.from_node,
        "to": span.to_node,
        "stages": list(span.stages),
        "measured_K_per_W": span.measured_K_per_W,
        "measured_u_K_per_W": span.measured_u_K_per_W,
        "limit_K_per_W": span.limit_K_per_W,
        "p_conforming": span.p_conforming,
        "cause": unit.cause,
        "where": unit.where,
        "probability": unit.probability,
    }
