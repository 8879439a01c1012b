"""Causes at a junction that is read by its forward voltage, weighed apart from all others.

Calibrated by its own cool-down it reads with its tab's thermocouple: what that misses of its rise,
it misses of the junction's too, and the drop between them is off by that share of itself alone. To
take the drop for one between two beads would let it speak for a bead that hangs loose. So the spans
by thermocouples are explained without it. It is explained without the tab's bead and the power,
of which they know more.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from fit.assessment.diagnosis import Finding, explain, find_causes
from fit.assessment.evidence import evidence_of
from fit.assessment.hypotheses import POWER, SENSOR
from fit.assessment.posterior import Posterior
from fit.budget.model import Prediction
from fit.measurement.junction_span import junction_alone
from fit.measurement.spans import Spans
from fit.network.topology import Link
from fit.records.run import Array

STEPS = (
    "Hold the budget's value against the data sheet: is it to the tab, and at this power?",
    "Measure another sample of the part on the same board: voids under a die differ from one to "
    "the next, an error of the budget does not.",
)
LEAST = 0.05  # of the probability that must be left for the rest to be told apart at all


def junction_causes(
    spans: Spans, prediction: Prediction, limits: Array, decisions: Mapping[Link, str]
) -> tuple[Finding, ...]:
    """What may be wrong between a junction and its tab.

    Args:
        spans: measured, the junction's first.
        prediction: for the run's own conditions.
        limits: of the budget's stages (stages,) [K/W].
        decisions: on the spans, by their ends.

    Returns:
        Findings at the stages of that span; none where the junction is no node of the budget.
    """
    if spans.junction is None or not spans.junction.calibration.of_its_own:
        return ()
    if spans.tree is not None:  # of several sources it has the heat of its own alone
        own_W = spans.junction.above_K / spans.junction.R_K_per_W
        prediction = replace(prediction, power_W=own_W)
    evidence = evidence_of(junction_alone(spans), prediction, limits)
    if evidence is None or evidence.span_ends[0] not in decisions:
        return ()
    posterior = explain(evidence)
    if posterior is None:
        return ()
    found = find_causes(evidence, [decisions[evidence.span_ends[0]]], _its_own(posterior, spans))
    stages = {stage.name for stage in evidence.stages[0]} | {evidence.span_name(0)}
    return tuple(replace(one, steps=STEPS) for one in found if one.where in stages)


def _its_own(posterior: Posterior, spans: Spans) -> Posterior:
    """The posterior given that neither the tab's bead nor the power is at fault."""
    junction = spans.nodes[0]
    kept = [
        one
        for one in posterior.suspicions
        if one.cause.kind not in (SENSOR, POWER)
        or (one.cause.where == junction and not one.cause.other)
    ]
    ruled_out = sum(one.probability for one in posterior.suspicions if one not in kept)
    share = 1 / max(1 - ruled_out, LEAST)
    suspicions = tuple(replace(one, probability=min(one.probability * share, 1.0)) for one in kept)
    return Posterior(posterior.nothing_wrong * share, posterior.unexplained * share, suspicions)


def together(findings: tuple[Finding, ...], more: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Findings of two searches in order of probability, at most the first of them the lead.

    Args:
        findings: of one search.
        more: of the other.
    """
    if not more:
        return findings
    ordered = sorted((*findings, *more), key=lambda finding: -finding.probability)
    leads = any(finding.lead for finding in ordered)
    first = replace(ordered[0], lead=leads)
    return (first, *(replace(finding, lead=False) for finding in ordered[1:]))
