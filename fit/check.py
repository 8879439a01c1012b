"""Measured against predicted, span by span."""

from __future__ import annotations

from dataclasses import dataclass

from fit.budget.model import Budget, Prediction
from fit.causes import Finding
from fit.spans import Spans


@dataclass(frozen=True)
class SpanVerdict:
    from_node: str
    to_node: str
    stages: tuple[str, ...]
    predicted_K_per_W: float
    predicted_u_K_per_W: float
    limit_K_per_W: float
    measured_K_per_W: float | None
    measured_u_K_per_W: float | None
    p_conforming: float | None
    E_n: float | None
    decision: str  # conforming | non-conforming | undecided


@dataclass(frozen=True)
class Verdict:
    decision: str
    spans: tuple[SpanVerdict, ...]
    findings: tuple[Finding, ...]  # the lead first, if there is one
    warnings: tuple[str, ...]
    prediction: Prediction
    measured: Spans


def check(spans: Spans, budget: Budget) -> Verdict:
    """Hold measured spans against a budget."""
    raise NotImplementedError
