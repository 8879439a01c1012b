"""Spans of a heat path that is a tree: every branch's, and those that carry the heat of several.

All of the record goes into one network (`fit.identification.tree`), above the last measured node
that every source's heat passes; what lies between that and ambient comes from the energy balance,
with the heat of all sources together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fit.budget import predict
from fit.budget.model import AMBIENT, Budget
from fit.errors import BudgetError, NotIdentifiable, about
from fit.identification.energy_balance import CaseToAmbient, case_to_ambient
from fit.identification.response import positive
from fit.identification.tree.fitted import FittedTree, fit_tree
from fit.identification.tree.network import measured_tree, tree_network
from fit.identification.tree.record import source_record
from fit.measurement.discrepancy import OWN_EXTRAPOLATION, is_noise
from fit.measurement.spans import Spans
from fit.network.steady_state import heat_flow, resistance_matrix
from fit.network.topology import Topology
from fit.records.run import Array, Run, stated_accuracy
from fit.signals.cells import Index
from fit.signals.preparation import Signals, only, prepare

ON = 0.02  # of its highest power: a source that is on
FULL = 0.9  # of the highest power of all sources together
SETTLED_SHARE = 0.02  # of the slowest response still to come, as of one source


@dataclass(frozen=True, eq=False)
class Branches:
    """What a record of several sources shows: its spans, and the network they come from."""

    spans: Spans
    fitted: FittedTree
    signals: Signals
    power_W: Array  # (sources,) of each while it was on, electrical
    heat_W: Array  # (spans, sources) of each through every span at rest, all on
    air: CaseToAmbient | None  # from the reference to ambient, where that was measured


def measure_branches(run: Run, budget: Budget) -> Branches:
    """Measure every span of a run of several sources.

    Args:
        run: as recorded.
        budget: whose tree the nodes and sources are of. Its path shares are applied, for each
            source has its own: resistances are per watt along the path.

    Raises:
        NotIdentifiable: the record does not carry an answer.
        BudgetError: the run's sources are not the budget's, or its power is not in watts.
    """
    with about(run.path):
        return measure_branch_signals(prepare(in_order_of(budget, run)), run, budget)


def in_order_of(budget: Budget, run: Run) -> Run:
    """The run with its sources in the budget's order. Raises BudgetError where they differ."""
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
    """Measure every span from prepared signals; see `measure_branches`."""
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
    spans, heat = _spans(fitted, signals, run, budget, power, air, ambient)
    return Branches(spans, fitted, signals, power, heat, air)


def _to_ambient(signals: Signals, case: str, power_W: float) -> CaseToAmbient:
    """Case to ambient at the power of all sources, from the record up to the end of that power.

    Later, at less, the loss and the heat that the case gives back are too alike: with them the
    resistance came out 8 to 17 % high in a third of 40 products (`tests.benchmarks.random_trees`).
    """
    full = np.flatnonzero(signals.power > FULL * signals.power.max())
    end = int(full[-1]) + 1
    edges = sum(start < end for start in signals.phase_starts)
    return case_to_ambient(
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


def powers_on(source_power: Array) -> Array:
    """Mean power of each source (sources,) while it was on, 0 where it never was [W]."""
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
    rest = signals.temperature_degC[-max(3, len(signals.t_s) // 50) :]
    return float(np.nanmean(rest[:, signals.nodes.index(AMBIENT)]))


def _spans(
    fitted: FittedTree,
    signals: Signals,
    run: Run,
    budget: Budget,
    power: Array,
    air: CaseToAmbient | None,
    ambient_degC: float,
) -> tuple[Spans, Array]:
    """The spans with their covariance by source, and the heat through each (spans, sources)."""
    network, share = fitted.network, budget.path_fraction
    kept = np.flatnonzero(network.found)
    links = [network.topology.links[i] for i in kept]
    R = fitted.R_K_per_W[kept]
    total, known = (
        c[np.ix_(kept, kept)] for c in (fitted.covariance, fitted.covariance_known_offset)
    )
    count = len(links) + (air is not None)
    reference = network.topology.reference
    if air is not None:
        links.append((reference, AMBIENT))
        R = np.append(R, air.R_K_per_W)
    covariance = {name: np.zeros((count, count)) for name in ("fit", "discrepancy", "offset")}
    inner = slice(0, len(kept))
    covariance["fit"][inner, inner] = known
    covariance["offset"][inner, inner] = positive(total - known)
    if air is not None:
        covariance["fit"][-1, -1] = air.fit_variance
        covariance["offset"][-1, -1] = air.offset_variance
    heat = _heat(fitted, power * share)[kept]  # (kept, sources)
    if air is not None:
        heat = np.vstack([heat, power * share])
    through = np.maximum(heat.sum(axis=1), 1e-9)
    covariance["discrepancy"][inner, inner] = np.diag(
        _discrepancy(fitted, kept, power * share, through[inner]) ** 2
    )
    topology = Topology(
        tuple(start for start, _ in links),
        tuple(links),
        links[-1][1],
        tuple(
            _first_seen(budget, source, [start for start, _ in links])
            for source in budget.tree.sources
        ),
    )
    match_u, power_u = stated_accuracy(run.path, run.document)
    covariance["sensor_match"] = _match(topology, signals, match_u, through)
    carried = heat / through[:, np.newaxis] * R[:, np.newaxis]
    relative = np.array(
        [source.path_fraction_u / source.path_fraction for source in budget.sources]
    )
    covariance["power"] = carried @ np.diag(power_u**2 + relative**2) @ carried.T
    settled = _is_settled(fitted, signals)
    notes = list(signals.warnings)
    if air is not None and not air.settled:
        notes.append(
            f"the case had not settled when heating ended: {reference} to ambient is extrapolated"
        )
    notes += _shares_left_open(signals, budget)
    rise = resistance_matrix(topology, np.maximum(R, 1e-6)) @ (power * share)
    base = ambient_degC if topology.reference == AMBIENT else _last(signals, topology.reference)
    spans = Spans(
        nodes=(*topology.nodes, topology.reference),
        R_K_per_W=R,
        covariance=covariance,
        power_W=float(power.sum()),
        final_degC=np.append(base + rise, base),
        settled=settled and (air is None or air.settled),
        warnings=tuple(dict.fromkeys(notes)),
        faults=signals.faults,
        tree=topology,
    )
    open_spans = [
        f"{a} to {b}" for (a, b), known in zip(links, spans.resolved, strict=True) if not known
    ]
    if not open_spans:
        return spans, heat
    said = f"not resolved by this record: {', '.join(open_spans)}"
    return replace(spans, warnings=(*spans.warnings, said)), heat


def _first_seen(budget: Budget, node: str, starts: Sequence[str]) -> str:
    """Where a source's heat enters the measured spans."""
    return next(n for n in budget.joined.path(node) if n in starts)


def _last(signals: Signals, node: str) -> float:
    rest = signals.temperature_degC[-max(3, len(signals.t_s) // 50) :]
    return float(np.nanmean(rest[:, signals.nodes.index(node)]))


def _heat(fitted: FittedTree, heat_W: Array) -> Array:
    """Heat of each source through every link at rest, all on (links, sources) [W]."""
    topology, R = fitted.network.topology, fitted.R_K_per_W
    matrix = resistance_matrix(topology, R)
    return np.stack([heat_flow(topology, R, column) for column in (matrix * heat_W).T], axis=1)


def _discrepancy(fitted: FittedTree, kept: Index, heat_W: Array, through: Array) -> Array:
    """What no network of lumps tells of each span (kept,), a standard uncertainty [K/W].

    Of what the network adds to the drops that its own heating reached, as of one source; and,
    where it does not describe the record down to the scans' noise, what it misses of each drop.
    """
    model, topology = fitted.model, fitted.network.topology
    record = model.record
    by_source = model.by_source(fitted.g)  # (S, c, m)
    reached = np.abs(by_source).max(axis=1).T  # (m, S)
    steady = resistance_matrix(topology, fitted.R_K_per_W) * heat_W  # (n, S)
    measured = model.layout.measured
    to_come = np.zeros(len(topology) + 1)
    to_come[measured] = np.abs(steady[measured] - reached).sum(axis=1)
    ends = topology.ends[kept]
    own = OWN_EXTRAPOLATION * np.abs(to_come[ends[:, 0]] - to_come[ends[:, 1]]) / through
    if is_noise(fitted.cost, float(np.sum(record.weight > 0))):
        return np.asarray(own)
    value, _ = model(fitted.g)
    apart = np.where(record.weight > 0, record.rise_K - value, np.nan)
    misfit = np.zeros(len(topology) + 1)
    misfit[measured] = np.nanstd(apart, axis=0)
    return np.hypot(own, np.hypot(misfit[ends[:, 0]], misfit[ends[:, 1]]) / through)


def _match(
    topology: Topology, signals: Signals, match_u: Mapping[str, float], through: Array
) -> Array:
    """Covariance of the spans by how alike the channels read (s, s) [(K/W)^2]."""
    nodes = (*topology.nodes, topology.reference)
    u = np.zeros(len(nodes))
    for j, node in enumerate(nodes):
        if match_u.get(node) and node in signals.nodes:
            series = signals.temperature_degC[:, signals.nodes.index(node)]
            u[j] = match_u[node] * (np.nanmax(series) - np.nanmin(series))
    per_watt = topology.full_incidence / through[:, np.newaxis]
    return np.asarray(per_watt @ np.diag(u**2) @ per_watt.T)


def _is_settled(fitted: FittedTree, signals: Signals) -> bool:
    """Whether the longest stretch without a power step saw the slowest response to its end."""
    starts = signals.t_s[list(signals.phase_starts)]
    longest = float(np.diff(np.append(starts, signals.t_s[-1])).max())
    return bool(np.exp(-longest / fitted.tau_s[-1]) < SETTLED_SHARE)


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
