"""The measured nodes laid on the budget's heat path: which span is which stages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fit.budget.model import Budget
from fit.errors import BudgetError
from fit.measurement.lower_bounds import end_degC
from fit.measurement.sensor_placement import SlowShare
from fit.measurement.spans import Spans
from fit.network.topology import Topology
from fit.records.run import Array


@dataclass(frozen=True, eq=False)
class Alignment:
    """Measured spans in the budget's order, each with the stages it lumps.

    Resistances are per watt of the *recorded* power, as measured, unless `per_path_watt`.
    """

    nodes: tuple[str, ...]  # s + 1 measured nodes that the budget knows, in its order
    ends: tuple[tuple[str, str], ...]  # (s,) the two nodes of each span
    stages: tuple[tuple[int, ...], ...]  # (s,) indices of the budget's stages in each span
    transform: Array  # (s, spans as measured), entries 0, 1 and -1
    R_K_per_W: Array  # (s,)
    covariance: Array  # (s, s) [(K/W)^2]
    slow_share: SlowShare | None
    rise_K: Array  # (s + 1,) rise of each node above the last, as far as the record tells [K]
    unmeasured: tuple[int, ...]  # stages before the first and after the last measured node
    warnings: tuple[str, ...]
    per_path_watt: bool = False  # not of the recorded power, but of what takes the path


def lay_on_budget(spans: Spans, budget: Budget) -> Alignment:
    """Lay measured spans on the budget's path.

    Nodes that the budget does not know are left out and their spans merged; nodes recorded in
    another order are put in the budget's.

    Args:
        spans: as measured.
        budget: whose path is followed.

    Raises:
        BudgetError: fewer than two of the measured nodes are nodes of the budget.
    """
    tree = budget.tree
    warnings = [
        f"node '{node}' was measured but is no node of the budget: left out, its spans merged"
        for node in spans.nodes
        if node not in budget.nodes
    ]
    known = [node for node in spans.nodes if node in budget.nodes]
    if len(known) < 2:
        raise BudgetError(
            budget.path,
            "stage",
            f"{len(known)} of the run's nodes ({', '.join(spans.nodes)}) is on the path "
            f"{' - '.join(budget.nodes)}",
            "name at least two measured nodes alike in the budget and the run",
        )
    ordered = sorted(known, key=tree.index)
    if ordered != known and spans.tree is None:
        warnings.append(f"nodes were recorded as {', '.join(known)}: put in the budget's order")
    ends = _ends(tree, ordered)
    stages = tuple(tree.links_between(start, end) for start, end in ends)
    covered = {stage for members in stages for stage in members}
    transform = _from_measured(spans, ends)
    return Alignment(
        nodes=tuple(ordered),
        ends=tuple(ends),
        stages=stages,
        transform=transform,
        R_K_per_W=_sums(transform, spans.R_K_per_W),
        covariance=_covariance_of_sums(transform, spans.total_covariance),
        slow_share=_transformed(spans.slow_share, transform),
        rise_K=_rise(spans, tuple(ordered)),
        unmeasured=tuple(i for i in range(len(budget.stages)) if i not in covered),
        warnings=tuple(warnings),
        per_path_watt=spans.tree is not None,
    )


def _ends(tree: Topology, nodes: Sequence[str]) -> list[tuple[str, str]]:
    """Each measured node with the next one on its way; the last has none."""
    onward = {node: [n for n in tree.path(node)[1:] if n in nodes] for node in nodes}
    return [(node, way[0]) for node, way in onward.items() if way]


def _from_measured(spans: Spans, ends: Sequence[tuple[str, str]]) -> Array:
    """Matrix (s, spans as measured): each span as a sum of those measured, or less them."""
    measured = spans.topology
    total = np.vstack([measured.paths, np.zeros(len(measured))])
    return np.array([total[measured.index(a)] - total[measured.index(b)] for a, b in ends])


def lumped(path: Alignment, budget: Budget, R_K_per_W: Array) -> tuple[Array, Array]:
    """Resistance of every span (s,) from those of the stages (stages,), and its slope (s, stages).

    Stages in series add up, those side by side conduct together.
    """
    group = np.zeros((len(path.ends), len(budget.joined.links)))
    for i, ends in enumerate(path.ends):
        group[i, list(budget.joined.links_between(*ends))] = 1.0
    return group @ budget.joined_resistance(R_K_per_W), group @ budget.joined_slope(R_K_per_W)


def _rise(spans: Spans, nodes: tuple[str, ...]) -> Array:
    """Rise of each node above the last (s + 1,) [K].

    Extrapolated to the settled end; where a span is not resolved that end is anybody's guess, and
    what a loose thermocouple missed is a part of the rise that the record has shown.
    """
    final = dict(zip(spans.nodes, spans.final_degC, strict=True))
    settled = np.array([final[node] - final[nodes[-1]] for node in nodes])
    if spans.resolved.all() or not spans.responses:
        return settled
    signals = spans.responses[-1].signals
    scanned = nodes[1:] if spans.junction is not None and nodes[0] == spans.junction.node else nodes
    if not set(scanned) <= set(signals.nodes):
        return settled
    end = end_degC(signals, scanned)
    if spans.junction is not None and scanned != nodes:
        end = np.append(end[0] + spans.junction.above_K, end)
    return np.fmin(settled, end - end[-1])


def _sums(transform: Array, values: Array) -> Array:
    """transform @ values, where a value that is not finite spoils only the sums it is in."""
    return np.array([row[row != 0] @ values[row != 0] for row in transform])


def _covariance_of_sums(transform: Array, covariance: Array) -> Array:
    """transform @ covariance @ transform.T, spoilt only where a part is not finite."""
    half = np.array([_sums(transform, column) for column in covariance.T])
    return np.array([_sums(transform, column) for column in half.T])


def _transformed(slow: SlowShare | None, transform: Array) -> SlowShare | None:
    if slow is None:
        return None
    covariance = transform @ slow.covariance @ transform.T
    return replace(slow, share=transform @ slow.share, covariance=covariance)


def accuracy_not_stated(spans: Spans) -> list[str]:
    """What the rig does not say of its accuracy, as one sentence, or none."""
    missing = [
        what
        for name, what in (("sensor_match", "sensor match"), ("power", "power accuracy"))
        if name in spans.covariance and not np.any(spans.covariance[name])
    ]
    if not missing:
        return []
    return [
        f"{' and '.join(missing)} not stated in the rig: taken as exact, "
        "so the uncertainties are too small by their share"
    ]
