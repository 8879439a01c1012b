"""Rows of units that nobody measured: spans with a known mean and spread."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fit.assessment.decision import decide, decide_all, probability_of_conformity
from fit.statistics.unit_row import SpanRow, UnitRow

ENDS = (("tab", "board_back"), ("board_back", "bar"), ("bar", "case"))
NAMES = ("via array", "pad", "bar to case")
MEAN = (3.2, 0.6, 0.5)
LIMIT = (4.0, 0.75, 0.7)
SPREAD, U = 0.06, 0.02  # over the mean


def span_row(number: int, value: float, u: float = U) -> SpanRow:
    """One span as measured."""
    limit, mean = LIMIT[number], MEAN[number]
    p = probability_of_conformity(value, u * mean, upper=limit)
    return SpanRow(
        from_node=ENDS[number][0],
        to_node=ENDS[number][1],
        stages=(NAMES[number],),
        predicted_K_per_W=mean,
        predicted_u_K_per_W=0.1 * mean,
        limit_K_per_W=limit,
        measured_K_per_W=value,
        measured_u_K_per_W=u * mean,
        own_u_K_per_W=u * mean,
        p_conforming=p,
        E_n=(value - mean) / mean,
        decision=decide(p),
        resolved=True,
    )


def with_spans(row: UnitRow, *spans: SpanRow) -> UnitRow:
    """The row with these spans, and the decision that they make."""
    return replace(row, spans=spans, decision=decide_all([span.decision for span in spans]))


def made_units(count: int, seed: int = 0, spread: float = SPREAD) -> list[UnitRow]:
    """Sound units, one a day, in lots of five."""
    random = np.random.default_rng(seed)
    rows = []
    for i in range(count):
        values = np.array(MEAN) * (1 + spread * random.standard_normal(len(MEAN)))
        values += U * np.array(MEAN) * random.standard_normal(len(MEAN))
        row = UnitRow(
            run=f"runs/{i:03}",
            unit=f"SN{i:03}",
            started=f"2026-03-{i + 1:02}T08:00:00Z" if i < 28 else "",
            values={"lot": f"L{i // 5}", "torque_Nm": 0.4 + 0.01 * i},
            rig="one",
            record_digest="r",
            budget_digest="b",
        )
        rows.append(with_spans(row, *(span_row(k, float(v)) for k, v in enumerate(values))))
    return rows
