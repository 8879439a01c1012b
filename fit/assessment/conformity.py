"""Measured against predicted, span by span."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from fit.assessment.advice import not_believed
from fit.assessment.alignment import (
    Alignment,
    accuracy_not_stated,
    lay_on_budget,
)
from fit.assessment.decision import (
    CONFORMING,
    UNDECIDED,
    decide,
    decide_all,
    normalized_error,
    probability_of_conformity,
)
from fit.assessment.diagnosis import (
    Finding,
    Posterior,
    explain,
    find_causes,
    readings_doubted,
    remarks,
)
from fit.assessment.evidence import evidence_of, pattern_of
from fit.assessment.hypotheses import SENSOR, Pattern
from fit.assessment.junction_causes import junction_causes, together
from fit.budget import predict
from fit.budget.limits import stage_limits
from fit.budget.model import Budget, Prediction
from fit.errors import BudgetError
from fit.measurement.junction_span import without_junction
from fit.measurement.resolution import are_resolved
from fit.measurement.spans import Spans
from fit.notation import digits, span_name
from fit.records.run import Array
from fit.signals.channel_faults import ChannelFault
from fit.tabular import Tabular

if TYPE_CHECKING:
    from pandas import DataFrame

ALIKE_WITHIN = 3.0  # factor between time constants that may be one and the same


@dataclass(frozen=True)
class SpanVerdict:
    """One span held against the budget; the measured values are None where nothing was measured."""

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
    heat_share: float | None = None  # of the electrical power, as the budget has it flow there

    @property
    def name(self) -> str:
        """Its stages."""
        return span_name(self.stages, self.from_node, self.to_node)


@dataclass(frozen=True)
class TimeConstant:
    """A time constant of the record beside the predicted one it most resembles, if any does."""

    measured_s: float
    measured_u_s: float
    predicted_s: float | None


@dataclass(frozen=True, eq=False)
class SourceVerdict:
    """What a run of several sources tells beside its spans."""

    names: tuple[str, ...]
    power_W: Array  # (sources,) of each while it was on
    nodes: tuple[str, ...]
    matrix_K_per_W: Array  # (nodes, sources) rise by each source, above `above`
    above: str  # ambient, or the last node before where that is not resolved
    reciprocity: tuple[tuple[str, str, float], ...] = ()  # two sources, z of Z_ab against Z_ba


@dataclass(frozen=True, eq=False)
class Verdict(Tabular):
    """The whole path held against the budget."""

    decision: str
    spans: tuple[SpanVerdict, ...]
    findings: tuple[Finding, ...]  # the lead first, if there is one
    warnings: tuple[str, ...]
    prediction: Prediction
    measured: Spans
    time_constants: tuple[TimeConstant, ...] = ()  # ascending
    sources: SourceVerdict | None = None  # of several sources

    def __repr__(self) -> str:
        spans = ", ".join(
            f"{span.name} {span.decision}"
            for span in self.spans
            if span.measured_K_per_W is not None
        )
        return f"<Verdict {self.decision} at {digits(self.prediction.power_W)} W: {spans}>"

    def to_frame(self) -> DataFrame:
        """A row a span: predicted, limit, measured [K/W] and the decision."""
        import pandas as pd

        rows = [
            asdict(span) | {"stages": " + ".join(span.stages), "resolved": resolved}
            for span, resolved in zip(self.spans, resolved_verdicts(self.spans), strict=True)
        ]
        return pd.DataFrame(rows)


def check(spans: Spans, budget: Budget) -> Verdict:
    """Hold measured spans against a budget.

    The budget is predicted at the run's own power and ambient. A measured resistance is per watt
    of recorded power; divided by the budget's path share it is per watt along the path, as
    predicted. The decision follows JCGM 106: conforming where the probability that the span is
    within its upper limit is at least 0.95, non-conforming where at most 0.05.

    Args:
        spans: measured, per watt of recorded power.
        budget: the path, its limits and its conditions.

    Raises:
        BudgetError: the run and the budget share fewer than two nodes, or the run has no watts.
    """
    unit = spans.responses[-1].power_unit if spans.responses else "W"
    if unit != "W":
        raise BudgetError(
            budget.path,
            "conditions",
            f"is in watts, and the run's power was recorded in {unit}",
            "import the run again with its power in watts",
        )
    ambient_degC = ambient_of_run(spans, budget)
    return hold(spans, predict(budget, power_W=spans.power_W, ambient_degC=ambient_degC))


def hold(spans: Spans, prediction: Prediction) -> Verdict:
    """Hold measured spans against a prediction made for the run's own conditions."""
    junction = spans.junction
    apart = junction is not None and junction.calibration.of_its_own
    seen = without_junction(spans) if apart else spans
    evidence = evidence_of(seen, prediction, stage_limits(prediction))
    posterior = None if evidence is None else explain(evidence)
    return verdict_of(spans, prediction, evidence, posterior)


def verdict_of(
    spans: Spans,
    prediction: Prediction,
    evidence: Pattern | None,
    posterior: Posterior | None,
) -> Verdict:
    """The verdict on measured spans.

    Args:
        spans: measured.
        prediction: for the run's own conditions.
        evidence: the spans of believed channels beside their predictions, None where there are
            too few.
        posterior: what explains them, None where nothing was asked.
    """
    budget = prediction.budget
    path = lay_on_budget(spans, budget)
    limits = stage_limits(prediction)
    pattern = pattern_of(path, prediction, limits)
    doubted = _doubted(evidence, posterior)
    if spans.junction is not None and spans.junction.tab in doubted:
        doubted |= {spans.junction.node}  # it was calibrated by the same bead
    verdicts = _with_shares(_measured_verdicts(path, pattern, budget, doubted), prediction)
    decision = decide_all([verdict.decision for verdict in verdicts])
    unmeasured = tuple(_unmeasured_verdict(i, prediction, limits) for i in path.unmeasured)
    findings: tuple[Finding, ...] = ()
    said: list[str] = []
    by_ends = {(one.from_node, one.to_node): one.decision for one in verdicts}
    if evidence is not None and posterior is not None:
        decisions = [by_ends.get(ends, UNDECIDED) for ends in evidence.span_ends]
        findings = find_causes(evidence, decisions, posterior, settled=spans.settled)
        said = remarks(evidence, posterior)
    return Verdict(
        decision=decision,
        spans=_in_path_order((*verdicts, *unmeasured), budget),
        findings=_with_channel_faults(
            spans.faults,
            together(findings, junction_causes(spans, prediction, limits, by_ends)),
        ),
        warnings=(
            *spans.warnings,
            *path.warnings,
            *prediction.warnings,
            *_warnings(path, spans, budget),
            *said,
        ),
        prediction=prediction,
        measured=spans,
        time_constants=_time_constants(spans, prediction),
    )


def _with_shares(
    verdicts: tuple[SpanVerdict, ...], prediction: Prediction
) -> tuple[SpanVerdict, ...]:
    """The same with the share of the power that the budget sends through each span's last stage."""
    if prediction.heat_share is None:
        return verdicts
    budget = prediction.budget
    # Stages side by side carry it together.
    by_stage = prediction.heat_share @ budget.in_parallel.T @ budget.in_parallel
    share = dict(zip((s.name for s in budget.stages), by_stage, strict=True))
    return tuple(replace(one, heat_share=float(share[one.stages[-1]])) for one in verdicts)


def _doubted(evidence: Pattern | None, posterior: Posterior | None) -> frozenset[str]:
    """The nodes from which spans begin whose readings are not believed."""
    if evidence is None or posterior is None:
        return frozenset()
    doubted = readings_doubted(evidence, posterior)
    return frozenset(node for node, doubt in zip(evidence.nodes, doubted, strict=False) if doubt)


def _with_channel_faults(
    faults: tuple[ChannelFault, ...], findings: tuple[Finding, ...]
) -> tuple[Finding, ...]:
    """Channels that measure nothing first, for they are seen and not inferred."""
    if not faults:
        return findings
    seen = []
    for number, fault in enumerate(faults):
        advice = not_believed(fault)
        seen.append(
            Finding(SENSOR, fault.node, 1.0, advice.text, number == 0, advice.steps, advice.caution)
        )
    return (*seen, *(replace(finding, lead=False) for finding in findings))


def ambient_of_run(spans: Spans, budget: Budget) -> float | None:
    """Ambient of the run [degC], None (the budget's own) where the run has no such node."""
    if spans.topology.reference == budget.ambient and math.isfinite(spans.final_degC[-1]):
        return float(spans.final_degC[-1])
    return None


def _measured_verdicts(
    path: Alignment, pattern: Pattern, budget: Budget, doubted: frozenset[str]
) -> tuple[SpanVerdict, ...]:
    """The verdict on each measured span; doubted: nodes from which spans begin that are none."""
    verdicts = []
    measured_u = np.sqrt(np.diag(pattern.measured_covariance))
    predicted_u = np.sqrt(np.diag(pattern.predicted_covariance))
    for i, members in enumerate(path.stages):
        value, u = float(pattern.measured_K_per_W[i]), float(measured_u[i])
        limit, predicted = float(pattern.limit_K_per_W[i]), float(pattern.predicted_K_per_W[i])
        known = math.isfinite(value) and math.isfinite(u)
        p = probability_of_conformity(value, u, upper=limit) if known else None
        u_predicted = float(predicted_u[i])
        # A reading that is not believed never speaks for the span, nor does one below zero.
        believed = path.ends[i][0] not in doubted and value > -2 * u
        decision = UNDECIDED if p is None else decide(p)
        if decision == CONFORMING and not believed:
            decision = UNDECIDED
        verdicts.append(
            SpanVerdict(
                from_node=path.ends[i][0],
                to_node=path.ends[i][1],
                stages=tuple(budget.stages[j].name for j in members),
                predicted_K_per_W=predicted,
                predicted_u_K_per_W=u_predicted,
                limit_K_per_W=limit,
                measured_K_per_W=value if known else None,
                measured_u_K_per_W=u if known else None,
                p_conforming=p,
                E_n=normalized_error(value, u, predicted, u_predicted) if known else None,
                decision=decision,
            )
        )
    return tuple(verdicts)


def _unmeasured_verdict(i: int, prediction: Prediction, limits: Array) -> SpanVerdict:
    stage = prediction.budget.stages[i]
    return SpanVerdict(
        from_node=stage.from_node,
        to_node=stage.to_node,
        stages=(stage.name,),
        predicted_K_per_W=float(prediction.R_K_per_W[i]),
        predicted_u_K_per_W=float(np.sqrt(prediction.R_covariance[i, i])),
        limit_K_per_W=float(limits[i]),
        measured_K_per_W=None,
        measured_u_K_per_W=None,
        p_conforming=None,
        E_n=None,
        decision=UNDECIDED,
    )


def _in_path_order(verdicts: tuple[SpanVerdict, ...], budget: Budget) -> tuple[SpanVerdict, ...]:
    return tuple(sorted(verdicts, key=lambda verdict: budget.nodes.index(verdict.from_node)))


def _time_constants(spans: Spans, prediction: Prediction) -> tuple[TimeConstant, ...]:
    """Every time constant of the whole path's record, paired with the predicted ones."""
    if not spans.responses:
        return ()
    response = spans.responses[-1]
    pairs = pair_alike(response.tau_s, prediction.tau_s)
    return tuple(
        TimeConstant(
            float(tau), float(u), float(prediction.tau_s[pairs[k]]) if k in pairs else None
        )
        for k, (tau, u) in enumerate(zip(response.tau_s, response.tau_u_s, strict=True))
    )


def pair_alike(one: Array, other: Array, factor: float = ALIKE_WITHIN) -> dict[int, int]:
    """Indices of positive values that resemble each other, closest pairs first, each used once."""
    pairs: dict[int, int] = {}
    distance = np.abs(np.log(np.asarray(one)[:, None] / np.asarray(other)[None, :]))
    for flat in np.argsort(distance, axis=None):
        i, j = map(int, np.unravel_index(flat, distance.shape))
        if distance[i, j] > np.log(factor):
            break
        if i not in pairs and j not in pairs.values():
            pairs[i] = j
    return pairs


def _warnings(path: Alignment, spans: Spans, budget: Budget) -> list[str]:
    warnings = []
    u = np.sqrt(np.diag(path.covariance))
    for i in np.flatnonzero(path.R_K_per_W < -2 * u):
        start, end = path.ends[i]
        warnings.append(
            f"'{start}' reads colder than '{end}', further from the source: "
            "are their thermocouples swapped, or does one hang loose?"
        )
    warnings += accuracy_not_stated(spans)
    if path.unmeasured:
        names = ", ".join(f"'{budget.stages[i].name}'" for i in path.unmeasured)
        warnings.append(f"nobody measured {names}: taken from the budget, not part of the decision")
    return warnings


def resolved_verdicts(spans: Sequence[SpanVerdict]) -> list[bool]:
    """Whether each span of a verdict was measured and is resolved."""
    nan = float("nan")
    R = [nan if span.measured_K_per_W is None else span.measured_K_per_W for span in spans]
    u = [nan if span.measured_u_K_per_W is None else span.measured_u_K_per_W for span in spans]
    return [bool(one) for one in are_resolved(R, u)]
