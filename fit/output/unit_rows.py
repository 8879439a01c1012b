"""A verdict as one small row, and such rows as a table: a line a span."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from hashlib import blake2b
from typing import TYPE_CHECKING

import numpy as np

from fit.assessment.conformity import resolved_verdicts
from fit.records.growing_table import ROWS
from fit.statistics.comparison import rig_identity
from fit.statistics.stated_values import label_values
from fit.statistics.unit_row import SpanRow, UnitRow

if TYPE_CHECKING:
    from fit.assessment.conformity import SpanVerdict, Verdict
    from fit.records.run import Run

COLUMNS = (
    "run", "decision", "from", "to", "stages", "predicted_K_per_W", "predicted_u_K_per_W",
    "limit_K_per_W", "measured_K_per_W", "measured_u_K_per_W", "p_conforming", "E_n",
    "span_decision", "cause", "where", "probability", "error", "resolved", "unit", "started",
    "rig", "values", "own_u_K_per_W", "record_digest", "budget_digest", ROWS,
)  # fmt: skip
NUMBERS = (
    "predicted_K_per_W", "predicted_u_K_per_W", "limit_K_per_W", "measured_K_per_W",
    "measured_u_K_per_W", "own_u_K_per_W", "p_conforming", "E_n",
)  # fmt: skip
SHARED_BY_A_RIG = "power"
"""The contribution that all units of one rig have alike; thermocouples are put on each anew."""


def unit_row(run: Run, verdict: Verdict, record_digest: str, budget_digest: str) -> UnitRow:
    """A run's verdict as one row.

    Args:
        run: as read.
        verdict: on it.
        record_digest: of the record.
        budget_digest: of the budget that it was held against.

    Returns:
        The row, of plain values.
    """
    lead = next((finding for finding in verdict.findings if finding.lead), None)
    own = _own_share(verdict)
    origin, identity = run.metadata.origin, rig_identity(run)
    started_is_known = origin is None or origin.start_is_known
    rows = []
    for span, resolved in zip(verdict.spans, resolved_verdicts(verdict.spans), strict=True):
        u = span.measured_u_K_per_W
        rows.append(
            SpanRow(
                from_node=span.from_node,
                to_node=span.to_node,
                stages=span.stages,
                predicted_K_per_W=span.predicted_K_per_W,
                predicted_u_K_per_W=span.predicted_u_K_per_W,
                limit_K_per_W=span.limit_K_per_W,
                measured_K_per_W=span.measured_K_per_W,
                measured_u_K_per_W=u,
                own_u_K_per_W=None if u is None else u * own.get(_ends(span), 1.0),
                p_conforming=span.p_conforming,
                E_n=span.E_n,
                decision=span.decision,
                resolved=None if span.measured_K_per_W is None else resolved,
            )
        )
    return UnitRow(
        run=str(run.path),
        unit=run.metadata.unit,
        started=run.metadata.started if started_is_known else "",
        rig="" if identity is None else blake2b(identity.encode(), digest_size=4).hexdigest(),
        values={**run.metadata.words, **label_values(run)},
        decision=verdict.decision,
        spans=tuple(rows),
        cause=lead.kind if lead else None,
        where=lead.where if lead else None,
        probability=lead.probability if lead else None,
        record_digest=record_digest,
        budget_digest=budget_digest,
    )


def table_rows(row: UnitRow) -> list[dict[str, object]]:
    """The lines of one run in a table, one a span; one with its error where it was not read.

    Args:
        row: of the run.

    Returns:
        Cells by column.
    """
    beside: dict[str, object] = {
        "run": row.run,
        "unit": row.unit,
        "started": row.started,
        "rig": row.rig,
        "values": "; ".join(f"{name}={_plain(value)}" for name, value in row.values.items()),
        "decision": row.decision or None,
        "cause": row.cause,
        "where": row.where,
        "probability": row.probability,
        "error": row.error,
        "record_digest": row.record_digest,
        "budget_digest": row.budget_digest,
        ROWS: max(1, len(row.spans)),
    }
    if not row.spans:
        return [beside]
    return [
        {
            **beside,
            "from": span.from_node,
            "to": span.to_node,
            "stages": "; ".join(span.stages),
            "span_decision": span.decision,
            "resolved": span.resolved,
            **{name: getattr(span, name) for name in NUMBERS},
        }
        for span in row.spans
    ]


def row_from_table(lines: Sequence[Mapping[str, str]]) -> UnitRow:
    """A run's row from its lines in a table.

    Args:
        lines: cells by column, all of one run.

    Returns:
        The row.

    Raises:
        ValueError: a cell that should be a number is none.
    """
    first = lines[0]
    return UnitRow(
        **{name: first[name] for name in ("run", "unit", "started", "rig", "decision")},
        values=dict(_values(first["values"])),
        spans=tuple(_span(line) for line in lines if line["from"]),
        cause=first["cause"] or None,
        where=first["where"] or None,
        probability=_number(first["probability"]),
        error=first["error"] or None,
        record_digest=first["record_digest"],
        budget_digest=first["budget_digest"],
    )


def _span(line: Mapping[str, str]) -> SpanRow:
    return SpanRow(
        from_node=line["from"],
        to_node=line["to"],
        stages=tuple(line["stages"].split("; ")),
        decision=line["span_decision"],
        resolved={"True": True, "False": False}.get(line["resolved"]),
        **{name: _number(line[name]) for name in NUMBERS},
    )


def _number(cell: str) -> float | None:
    return float(cell) if cell else None


def _plain(value: float | str) -> str:
    """A value in one cell beside others."""
    return repr(value) if isinstance(value, float) else value.replace(";", ",")


def _values(cell: str) -> Iterator[tuple[str, float | str]]:
    for part in filter(None, cell.split("; ")):
        name, _, text = part.partition("=")
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        yield name, value if math.isfinite(value) else text


def _ends(span: SpanVerdict) -> tuple[str, str]:
    return span.from_node, span.to_node


def _own_share(verdict: Verdict) -> dict[tuple[str, str], float]:
    """By span, the share of its standard uncertainty that is not common to all units of a rig.

    Common are the power reading and the budget's share of the power that takes the path.
    """
    from fit.assessment.alignment import lay_on_budget

    spans, budget = verdict.measured, verdict.prediction.budget
    parts = [c for name, c in spans.covariance.items() if name != SHARED_BY_A_RIG]
    own = np.sum(parts, axis=0)
    path = lay_on_budget(spans, budget)
    share = 1.0 if path.per_path_watt else budget.conditions.path_fraction
    measured = {_ends(span): span.measured_u_K_per_W for span in verdict.spans}
    found = {}
    for ends, row in zip(path.ends, path.transform, strict=True):
        used = np.flatnonzero(row)
        variance = row[used] @ own[np.ix_(used, used)] @ row[used]
        total = measured.get(ends)
        if total:
            found[ends] = float(min(1.0, np.sqrt(max(variance, 0.0)) / share / total))
    return found
