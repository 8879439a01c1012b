"""A run of several sources held against its budget."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np

from fit.assessment.alignment import lay_on_budget
from fit.assessment.branch_causes import explain_branches
from fit.assessment.conformity import SourceVerdict, Verdict, check, verdict_of
from fit.assessment.decision import CONFORMING, UNDECIDED
from fit.assessment.evidence import pattern_of
from fit.budget.limits import stage_limits
from fit.budget.model import AMBIENT, Budget
from fit.identification.tree.reciprocity import reciprocity
from fit.measurement.branches import Branches, measure_branches
from fit.measurement.junction_span import without_junction
from fit.measurement.spans import measure
from fit.network.steady_state import resistance_matrix
from fit.records.run import Run


def check_run(run: Run, budget: Budget) -> Verdict:
    """Measure a run and hold it against a budget, whatever the shape of either.

    Args:
        run: as recorded.
        budget: a chain or a tree.

    Raises:
        BudgetError: run and budget do not belong together.
        NotIdentifiable: the record does not carry an answer.
    """
    if budget.is_chain and len(run.sources) <= 1:
        return check(measure(run), budget)
    return check_branches(measure_branches(run, budget), budget)


def check_branches(branches: Branches, budget: Budget) -> Verdict:
    """Hold the spans of a run of several sources against its budget.

    The budget is predicted at the run's own powers, all on, and its own ambient.

    Args:
        branches: measured.
        budget: the tree.
    """
    spans, prediction = branches.spans, branches.prediction
    # A junction reads with its tab's bead, and none of the network's causes speak for it.
    by_beads = replace(branches, spans=without_junction(spans))
    path = lay_on_budget(by_beads.spans, budget)
    pattern = pattern_of(path, prediction, stage_limits(prediction))
    posterior = explain_branches(by_beads, budget, prediction)
    verdict = verdict_of(spans, prediction, pattern, posterior)
    return replace(_beside_faults(verdict, budget), sources=_sources(branches, budget))


def _beside_faults(verdict: Verdict, budget: Budget) -> Verdict:
    """The verdict with no span called conforming across a node whose channel is not believed.

    Its two spans are measured as one, and a product whose thermocouple says nothing is not decided.
    """
    silent = {fault.node for fault in verdict.measured.faults}
    if not silent:
        return verdict
    spans = tuple(
        replace(span, decision=UNDECIDED)
        if span.decision == CONFORMING
        and silent & set(budget.joined.path(span.from_node, span.to_node))
        else span
        for span in verdict.spans
    )
    decision = UNDECIDED if verdict.decision == CONFORMING else verdict.decision
    return replace(verdict, spans=spans, decision=decision)


def _sources(branches: Branches, budget: Budget) -> SourceVerdict:
    fitted, topology = branches.fitted, branches.fitted.network.topology
    matrix = resistance_matrix(topology, branches.network.R_K_per_W)
    junction = branches.spans.junction
    hidden = set(fitted.network.hidden) - (set() if junction is None else {junction.node})
    seen = [i for i, node in enumerate(topology.nodes) if node not in hidden]
    matrix = np.vstack([matrix[seen], np.zeros(matrix.shape[1])])
    nodes = [*(topology.nodes[i] for i in seen), topology.reference]
    above = topology.reference
    if branches.air is not None and branches.spans.resolved[-1]:
        matrix, above = matrix + branches.air.R_K_per_W, AMBIENT
    names = tuple(source.name for source in budget.sources)
    entering = branches.topology.sources
    apart = reciprocity(fitted, entering, _ratio_u(branches))
    return SourceVerdict(
        names=names,
        power_W=branches.power_W,
        nodes=tuple(nodes),
        # Per electrical watt, as the budget's own matrix.
        matrix_K_per_W=matrix * budget.path_fraction,
        above=above,
        reciprocity=tuple((names[a], names[b], z) for (a, b), z in apart.items()),
    )


def _ratio_u(branches: Branches) -> dict[tuple[int, int], float]:
    """What the stated accuracies leave open of Z_ab / Z_ba of every pair of sources (relative)."""
    stated, sources = branches.metadata, branches.budget.sources
    each = [
        stated.power_u**2
        + (source.path_fraction_u / source.path_fraction) ** 2
        + stated.match_u.get(node, 0.0) ** 2
        for source, node in zip(sources, branches.topology.sources, strict=True)
    ]
    pairs = combinations(range(len(sources)), 2)
    return {(a, b): float(np.sqrt(each[a] + each[b])) for a, b in pairs}
