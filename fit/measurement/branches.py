"""Spans of a heat path that is a tree: every branch's, and those that carry the heat of several.

All of the record goes into one network (`fit.identification.tree`), above the last measured node
that every source's heat passes; what lies between that and ambient comes from the energy balance,
with the heat of all sources together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.linalg import block_diag

from fit.budget import predict
from fit.budget.model import AMBIENT, Budget
from fit.errors import BudgetError, NotIdentifiable, about
from fit.identification.covariance import positive
from fit.identification.energy_balance import CaseToAmbient, case_to_ambient
from fit.identification.tree.fitted import FittedTree, fit_tree
from fit.identification.tree.network import measured_tree, tree_network
from fit.identification.tree.record import source_record
from fit.measurement.branch_junction import with_its_junction
from fit.measurement.branch_uncertainty import (
    Identified,
    discrepancy,
    power_and_shares,
    sensor_match,
)
from fit.measurement.discrepancy import OWN_EXTRAPOLATION
from fit.measurement.spans import Spans
from fit.network.steady_state import resistance_matrix
from fit.records.metadata import RunMetadata
from fit.records.run import Array, Run
from fit.signals.preparation import Signals, only, prepare

ON = 0.02  # of its highest power: a source that is on
FULL = 0.9  # of the highest power of all sources together
LEAST_K_PER_W = 1e-6  # a span measured as zero or less, where temperatures need one
SETTLED_SHARE = 0.02  # of the slowest response still to come, as of one source


@dataclass(frozen=True, eq=False)
class Branches(Identified):
    """What a record of several sources shows, with its spans."""

    spans: Spans
    metadata: RunMetadata  # the accuracies that the run states

    @cached_property
    def network(self) -> FittedTree:
        """The network, a junction's lump in it as its forward voltage has it.

        Scans do not tell that lump: its resistance is the one read, its heat capacity by the time
        in which it fell to 1/e.
        """
        fitted, junction = self.fitted, self.spans.junction
        if junction is None:
            return fitted
        topology, R, C = fitted.network.topology, fitted.R_K_per_W.copy(), fitted.C_J_per_K.copy()
        R[topology.links.index((junction.node, junction.tab))] = junction.R_K_per_W
        if np.isfinite(junction.tau_s):
            C[topology.index(junction.node)] = junction.tau_s / junction.R_K_per_W
        return replace(fitted, R_K_per_W=R, C_J_per_K=C)


def measure_branches(run: Run, budget: Budget) -> Branches:
    """Measure every span of a run of several sources.

    Args:
        run: as recorded.
        budget: whose tree the nodes and sources are of. Its path shares are applied, for each
            source has its own: resistances are per watt along the path.

    Returns:
        The spans, and the network that they come from.

    Raises:
        NotIdentifiable: the record does not carry an answer.
        BudgetError: the run's sources are not the budget's, or its power is not in watts.
    """
    with about(run.path):
        return measure_branch_signals(prepare(in_order_of(budget, run)), run, budget)


def in_order_of(budget: Budget, run: Run) -> Run:
    """The run with its sources in the budget's order.

    Args:
        budget: whose order it is.
        run: as recorded.

    Returns:
        The run, its power by source (n, sources) [W].

    Raises:
        BudgetError: the run's sources are not the budget's, or its power is not in watts.
    """
    if run.power_unit != "W":
        raise BudgetError(
            budget.path,
            "conditions",
            f"is in watts, and the run's power was recorded in {run.power_unit}",
            "import the run again with its power in watts",
        )
    stated = tuple(source.name for source in budget.sources)
    recorded = run.sources if run.source_power is not None else ("",)
    each = run.power[:, np.newaxis] if run.source_power is None else run.source_power
    if len(stated) == len(recorded) == 1:
        return replace(run, sources=stated, source_power=each)
    if set(stated) != set(recorded):
        columns = ", ".join(f"power_{name}_W" if name else "power_W" for name in recorded)
        raise BudgetError(
            budget.path,
            "source",
            f"the run records {columns}; the budget's sources are {', '.join(stated) or 'one'}",
            "the same names in both, each source's power recorded",
        )
    order = [recorded.index(name) for name in stated]
    return replace(run, sources=stated, source_power=each[:, order])


def measure_branch_signals(signals: Signals, run: Run, budget: Budget) -> Branches:
    """Measure every span from prepared signals; see `measure_branches`.

    Args:
        signals: offset-corrected record, its sources in the budget's order.
        run: that they come from, for the accuracies that it states.
        budget: whose tree the nodes and sources are of.

    Returns:
        The spans, and the network that they come from.

    Raises:
        NotIdentifiable: the power was never on, or the record does not carry an answer.
    """
    if signals.source_power is None or not np.any(signals.source_power):
        raise NotIdentifiable("the power was never on; no resistance can be measured")
    share = budget.path_fraction
    power = powers_on(signals.source_power)
    into = replace(signals, power=signals.source_power @ share)
    seen = tuple(node for node in signals.nodes if node in budget.nodes)
    reference = _reference(budget, seen)
    above = tuple(n for n in seen if n not in (reference, AMBIENT))
    _, whole = measured_tree(budget, seen)
    above = tuple(n for n in whole.nodes if n in above and reference in whole.path(n))
    ambient = _ambient_degC(signals, budget)
    prediction = predict(budget, power.tolist(), ambient)
    network = tree_network(budget, prediction, seen, reference)
    inner = only(into, tuple(n for n in signals.nodes if n in (*above, reference)))
    fitted = fit_tree(source_record(inner, above, reference, share), network)
    air = None
    if reference != AMBIENT and AMBIENT in seen:
        air = _to_ambient(into, reference, float((power * share).sum()))
    seen_in_it = Identified(fitted, signals, prediction, power, air)
    spans = with_its_junction(_spans(seen_in_it, run, ambient), seen_in_it, run)
    return Branches(
        fitted, signals, prediction, power, air, spans=_said_of(spans), metadata=run.metadata
    )


def _to_ambient(signals: Signals, case: str, power_W: float) -> CaseToAmbient:
    """Case to ambient at the power of all sources, from the record up to the end of that power.

    Later, at less, the loss and the heat that the case gives back are too alike: with them the
    resistance came out 8 to 17 % high in a third of 40 products (`tests.benchmarks.random_trees`).
    """
    full = np.flatnonzero(signals.power > FULL * signals.power.max())
    end = int(full[-1]) + 1
    edges = sum(start < end for start in signals.phase_starts)
    found = case_to_ambient(
        replace(
            signals,
            t_s=signals.t_s[:end],
            temperature_degC=signals.temperature_degC[:end],
            power=signals.power[:end],
            source_power=None,
            phase_starts=signals.phase_starts[:edges],
            edge_known=signals.edge_known[:edges],
            power_edges_s=signals.power_edges_s[: max(edges - 1, 0)],
        ),
        case,
        power_W,
    )
    # Of what the balance adds to the rise reached, as of any other span that had not settled.
    columns = [signals.nodes.index(node) for node in (case, AMBIENT)]
    last = signals.temperature_degC[max(0, end - max(3, len(full) // 50)) : end][:, columns]
    reached = float(np.nanmean(last[:, 0] - last[:, 1])) / power_W
    doubt = OWN_EXTRAPOLATION * (found.R_K_per_W - reached)
    return replace(found, fit_variance=found.fit_variance + doubt**2)


def powers_on(source_power: Array) -> Array:
    """Mean power of each source while it was on.

    Args:
        source_power: of each source at each scan (n, sources) [W].

    Returns:
        Mean powers (sources,), 0 where a source was never on [W].

    >>> powers_on(np.array([[0.0, 0.0], [4.0, 0.0], [2.0, 0.0]])).tolist()
    [3.0, 0.0]
    """
    highest = source_power.max(axis=0)
    on = source_power > ON * np.maximum(highest, 1e-12)
    total = np.where(on, source_power, 0.0).sum(axis=0)
    return np.asarray(total / np.maximum(on.sum(axis=0), 1))


def _reference(budget: Budget, seen: tuple[str, ...]) -> str:
    """The node that the inner network stands on: the last measured one that all heat passes."""
    inner = tuple(node for node in seen if node != AMBIENT)
    try:
        _, tree = measured_tree(budget, inner)
    except NotIdentifiable:
        tree = None
    if tree is not None and any(node in inner for node in tree.nodes):
        return tree.reference
    if AMBIENT in seen:
        return AMBIENT
    raise NotIdentifiable("no measured node lies on the way of every source's heat")


def _ambient_degC(signals: Signals, budget: Budget) -> float:
    """Ambient of the run, the budget's own where it was not measured [degC]."""
    if AMBIENT not in signals.nodes:
        return budget.conditions.ambient_degC
    return _last_degC(signals, AMBIENT)


def _spans(found: Identified, run: Run, ambient_degC: float) -> Spans:
    """The spans with their covariance by source."""
    fitted, topology, air = found.fitted, found.topology, found.air
    kept = np.flatnonzero(fitted.network.found)
    R = fitted.R_K_per_W[kept]
    known = fitted.covariance_known_offset[np.ix_(kept, kept)]
    offset = positive(fitted.covariance[np.ix_(kept, kept)] - known)
    notes = list(found.signals.warnings)
    if air is not None:
        R = np.append(R, air.R_K_per_W)
        known = block_diag(known, air.fit_variance)
        offset = block_diag(offset, air.offset_variance)
        if not air.settled:
            notes.append(f"{air.outlook}: {topology.links[-1][0]} to ambient is extrapolated")
    notes += _shares_left_open(found.signals, found.budget)
    rise = resistance_matrix(topology, np.maximum(R, LEAST_K_PER_W)) @ found.path_W
    base = ambient_degC
    if topology.reference != AMBIENT:
        base = _last_degC(found.signals, topology.reference)
    return Spans(
        nodes=(*topology.nodes, topology.reference),
        R_K_per_W=R,
        covariance={
            "fit": known,
            "discrepancy": discrepancy(found),
            "offset": offset,
            "sensor_match": sensor_match(found, run.metadata.match_u),
            "power": power_and_shares(found, R, run.metadata.power_u),
        },
        power_W=float(found.power_W.sum()),
        final_degC=np.append(base + rise, base),
        settled=_is_settled(found) and (air is None or air.settled),
        warnings=tuple(dict.fromkeys(notes)),
        faults=found.signals.faults,
        tree=topology,
    )


def _said_of(spans: Spans) -> Spans:
    """The spans with the names of those that the record does not resolve."""
    ends = zip(spans.topology.links, spans.resolved, strict=True)
    if left_open := [f"{a} to {b}" for (a, b), resolved in ends if not resolved]:
        said = f"not resolved by this record: {', '.join(left_open)}"
        return replace(spans, warnings=(*spans.warnings, said))
    return spans


def _last_degC(signals: Signals, node: str) -> float:
    """Mean of a node's last readings [degC]."""
    rest = signals.temperature_degC[-max(3, len(signals.t_s) // 50) :]
    return float(np.nanmean(rest[:, signals.nodes.index(node)]))


def _is_settled(found: Identified) -> bool:
    """Whether the longest stretch without a power step saw the slowest response to its end."""
    signals = found.signals
    starts = signals.t_s[list(signals.phase_starts)]
    longest = float(np.diff(np.append(starts, signals.t_s[-1])).max())
    return bool(np.exp(-longest / found.fitted.tau_s[-1]) < SETTLED_SHARE)


def _shares_left_open(signals: Signals, budget: Budget) -> list[str]:
    """What sources that never change, or change only together, leave open, one sentence each."""
    each = signals.source_power
    assert each is not None
    names = [source.name for source in budget.sources]
    change = each - each[0]
    highest = np.abs(change).max(axis=0)
    notes = [
        f"the power of '{name}' never changes: its own branch cannot be told from this record"
        for name, most in zip(names, highest, strict=True)
        if most <= ON * max(float(np.abs(each).max()), 1e-12)
    ]
    scaled = change / np.maximum(highest, 1e-12)
    together = [
        (a, b)
        for i, a in enumerate(names)
        for j, b in enumerate(names[:i])
        if highest[i] > 0 and highest[j] > 0 and np.abs(scaled[:, i] - scaled[:, j]).mean() < ON
    ]
    if together:
        both = sorted({name for pair in together for name in pair}, key=names.index)
        notes.append(
            f"{' and '.join(both)} only change together: what their boards exchange, and how the"
            " power divides between them, stays open, and every span at them is less sure;"
            " switch them off one after another"
        )
    return notes
