"""Spans as they settle: what the record so far says of each, and how its interval shrinks."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fit.assessment.conformity import resolved_verdicts
from fit.assessment.decision import UNDECIDED, decide_all
from fit.errors import HeatrunError
from fit.measurement.resolution import are_resolved
from fit.notation import span_name
from fit.records.metadata import NOT_KNOWN, RunMetadata
from fit.records.run import Array, Run

if TYPE_CHECKING:
    from fit.assessment.conformity import Verdict
    from fit.assessment.live import LiveJudge
    from fit.budget.model import Budget
    from fit.measurement.spans import Spans
    from fit.measurement.streaming import Follower

LONGER_BY = 1.3
"""A new estimate when the time under power has grown by this factor: even steps in log time."""

FIRST_AFTER_S = 20.0
POWER_PRESENT_W = 1e-6


@dataclass(frozen=True)
class SpanEstimate:
    """One span at one time; without a budget there is no limit and no decision."""

    name: str
    R_K_per_W: float
    u_K_per_W: float
    predicted_K_per_W: float | None = None
    limit_K_per_W: float | None = None
    decision: str | None = None
    settled: bool = True  # False: the record ends before this span's slowest time constant
    resolved: bool = True  # False: what is known of it is no number to show


@dataclass(frozen=True)
class Estimate:
    """All spans at one time of the record."""

    t_s: float
    spans: tuple[SpanEstimate, ...]
    decision: str | None
    headline: str = ""  # the lead cause, "" where there is none
    text: str = ""  # what belongs to the cause


class Settling:
    """Takes scans in order and makes an estimate at even steps in log time under power."""

    def __init__(
        self,
        nodes: tuple[str, ...],
        budget: Budget | None,
        longer_by: float = LONGER_BY,
        metadata: RunMetadata = NOT_KNOWN,
    ) -> None:
        """metadata: of the run, for the accuracy that it states."""
        self.nodes, self.scans = nodes, 0
        self._longer_by = longer_by
        self._follower = _follower(nodes, metadata) if nodes else None
        self._judge = Judge(budget)
        self._heat_s: float | None = None
        self._due_s = FIRST_AFTER_S

    def take(self, t_s: Array, temperature_degC: Array, power: Array) -> Iterator[Estimate]:
        """Take scans (k,), and yield the estimates that fall due among them."""
        self.scans += len(t_s)
        for at, reading, watts in zip(map(float, t_s), temperature_degC, power, strict=True):
            if self._follower is None or not math.isfinite(watts):
                continue
            self._follower.add(at, reading, float(watts))
            if self._heat_s is None and abs(watts) > POWER_PRESENT_W:
                self._heat_s = at
            if self._heat_s is not None and at - self._heat_s >= self._due_s:
                self._due_s = self._longer_by * (at - self._heat_s)
                if (spans := self._follower.spans()) is not None:
                    yield from self._judge.estimates(at, spans)

    def conclude(self, run: Run) -> list[Estimate]:
        """The estimate from the whole of a finished record, as `heatrun check` makes it."""
        from fit.measurement.spans import measure

        try:
            return self._judge.estimates(float(run.t_s[-1]), measure(run))
        except HeatrunError:
            return []


def _follower(nodes: tuple[str, ...], metadata: RunMetadata) -> Follower:
    """Its libraries take seconds to load on a busy computer: the page is served before."""
    from fit.measurement.streaming import Follower

    return Follower(nodes, metadata=metadata)


class Judge:
    """Estimates of spans, held against a budget where there is one."""

    def __init__(self, budget: Budget | None) -> None:
        self._budget = budget
        self._judge: LiveJudge | None = None

    def estimates(self, t_s: float, spans: Spans) -> list[Estimate]:
        """One estimate, or none where the spans and the budget do not go together."""
        if self._budget is None:
            return [_measured(t_s, spans)]
        if self._judge is None:
            # Its libraries take seconds to load on a busy computer: the page is served before.
            from fit.assessment.live import LiveJudge

            self._judge = LiveJudge(self._budget)
        verdict = self._judge.verdict(spans)
        return [] if verdict is None else [judged(t_s, spans, verdict)]


def _measured(t_s: float, spans: Spans) -> Estimate:
    u = np.sqrt(np.diag(spans.total_covariance))
    resolved = are_resolved(spans.R_K_per_W, u)
    found = tuple(
        SpanEstimate(
            span_name((), start, end),
            float(spans.R_K_per_W[i]),
            float(u[i]),
            settled=_is_settled(spans, end),
            resolved=bool(resolved[i]),
        )
        for i, (start, end) in enumerate(spans.topology.links)
    )
    return Estimate(t_s, found, None)


def judged(t_s: float, spans: Spans, verdict: Verdict) -> Estimate:
    """An estimate from a verdict.

    Args:
        t_s: of the last scan [s].
        spans: as measured.
        verdict: on them.
    """
    from fit.output.cause_words import headline
    from fit.output.text import story

    found = tuple(
        SpanEstimate(
            span.name,
            span.measured_K_per_W,
            span.measured_u_K_per_W,
            span.predicted_K_per_W,
            span.limit_K_per_W,
            span.decision,
            _is_settled(spans, span.to_node),
            resolved,
        )
        for span, resolved in zip(verdict.spans, resolved_verdicts(verdict.spans), strict=True)
        if span.measured_K_per_W is not None and span.measured_u_K_per_W is not None
    )
    decision = decide_all([span.decision or UNDECIDED for span in found])
    lead = next((finding for finding in verdict.findings if finding.lead), None)
    # No cause is named before a span is known to be over its limit, or the whole path is decided.
    if lead is None or decision == UNDECIDED:
        return Estimate(t_s, found, decision)
    return Estimate(t_s, found, decision, headline(lead), story(lead))


def _is_settled(spans: Spans, to_node: str) -> bool:
    """Whether the response that a span comes from had the time it needs.

    The inner spans rise above the case and settle in minutes; the last rises above ambient.
    """
    if not spans.responses:
        return spans.settled
    own = spans.responses[-1 if to_node == spans.topology.reference else 0]
    return own.settled
