"""What speaks for one cause or another: the spans' pattern, the slow shares, the stored heat."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from fit.assessment.alignment import Alignment, lay_on_budget, lumped
from fit.assessment.hypotheses import CapacityEvidence, Pattern, SlowEvidence
from fit.assessment.simulation import SimulatedPath, simulated_path
from fit.budget.dynamics import node_capacity
from fit.budget.model import Budget, Prediction
from fit.measurement.heat_capacity import stored_heat
from fit.measurement.sensor_placement import SlowLook
from fit.measurement.spans import Spans
from fit.records.run import Array

CAPACITY_RELATIVE_U = 0.3  # of a predicted heat capacity: our judgement
UNKNOWN_UPSTREAM = 0.2  # share of the heat capacity above a span where the budget states none
NOT_DRAWN = 0.03  # share of the heat capacity that no drawing shows: screws, leads, labels
LEAK_U = 0.03  # share of the heat that may leave the path before its end unbudgeted


def evidence_of(spans: Spans, prediction: Prediction, limits: Array) -> Pattern | None:
    """What speaks for one cause or another: of believed channels alone, None where too few are."""
    seen = spans if spans.believed is None else spans.believed
    if sum(node in prediction.budget.nodes for node in seen.nodes) < 2:
        return None
    path = lay_on_budget(seen, prediction.budget)
    pattern = pattern_of(path, prediction, limits)
    return replace(
        pattern,
        slow=_slow_evidence(path, prediction, pattern.network),
        capacity=_capacity_evidence(seen, path, prediction),
    )


def pattern_of(path: Alignment, prediction: Prediction, limits: Array) -> Pattern:
    """Measured and predicted spans on one footing: per watt along the path."""
    budget = prediction.budget
    share, share_u = budget.conditions.path_fraction, budget.conditions.path_fraction_u
    if path.per_path_watt:
        share, share_u = 1.0, 0.0
    predicted, slope = lumped(path, budget, prediction.R_K_per_W)
    measured = path.R_K_per_W / share
    return Pattern(
        nodes=path.nodes,
        ends=path.ends,
        stages=tuple(tuple(budget.stages[i] for i in members) for members in path.stages),
        stage_K_per_W=tuple(
            tuple(float(prediction.R_K_per_W[i]) for i in members) for members in path.stages
        ),
        measured_K_per_W=measured,
        measured_covariance=path.covariance / share**2
        + np.outer(measured, measured) * (share_u / share) ** 2,
        predicted_K_per_W=predicted,
        predicted_covariance=slope @ prediction.R_covariance @ slope.T,
        limit_K_per_W=lumped(path, budget, limits)[0],
        rise_K_per_W=path.rise_K / (prediction.power_W * share),
        heat_W=prediction.power_W * share,
        network=simulated_path(path, prediction),
    )


def _slow_evidence(
    path: Alignment, prediction: Prediction, network: SimulatedPath | None = None
) -> SlowEvidence | None:
    """The share of the case's rise that each inner span shows, beside what the budget's would."""
    if path.slow_share is None or len(path.stages) < 2:
        return None
    inner = len(path.stages) - 1
    R, _ = lumped(path, prediction.budget, prediction.R_K_per_W)
    look, C = path.slow_share.look, node_capacity(prediction.budget, prediction.C_J_per_K)
    if look is None or network is None or C[network.topology.index(path.nodes[-2])] <= 0:
        expected, per_K_per_W, covariance = _stored_upstream(path, prediction, R)
    else:
        expected, per_K_per_W, covariance = _simulated(path, prediction, network, look)
    leak = np.diag((LEAK_U * R[:inner] / R[-1]) ** 2)
    return SlowEvidence(
        share=path.slow_share.share[:inner],
        expected=expected,
        per_K_per_W=per_K_per_W,
        covariance=path.slow_share.covariance[:inner, :inner] + covariance + leak,
    )


def _simulated(
    path: Alignment, prediction: Prediction, network: SimulatedPath, look: SlowLook
) -> tuple[Array, Array, Array]:
    """Expected shares (s - 1,), their growth with each span's own resistance, and covariance.

    On the budget's own network under the record's power, looked at as the record was: after a
    short heating a span still on its way up is taken for one that follows the case.
    """
    inner, links = len(path.stages) - 1, len(network.R_K_per_W)
    C = node_capacity(prediction.budget, prediction.C_J_per_K)
    start = prediction.budget.tree.ends[:, 0]

    def share(doubled: Sequence[int] = (), more_J_per_K: Array | float = 0.0) -> Array:
        factor = np.ones(links)
        factor[list(doubled)] = 2.0
        return network.slow_share(look, C + more_J_per_K, factor)[:inner]

    expected = share()
    growth = np.array([share(stages)[j] for j, stages in enumerate(path.stages[:inner])]) - expected
    added, _ = lumped(path, prediction.budget, prediction.R_K_per_W)
    moved = np.array(
        [
            share(more_J_per_K=relative * value * (np.arange(len(C)) == node)) - expected
            for relative, value, node in zip(
                _capacity_u(prediction), prediction.C_J_per_K, start, strict=True
            )
        ]
    )
    unknown = UNKNOWN_UPSTREAM if np.any(prediction.C_J_per_K <= 0) else 0.0
    left_out = np.diag((unknown * added[:inner] / added[-1]) ** 2)
    return expected, growth / added[:inner], moved.T @ moved + left_out


def _stored_upstream(
    path: Alignment, prediction: Prediction, R_K_per_W: Array
) -> tuple[Array, Array, Array]:
    """The same for a budget without a simulated network.

    Heat stored upstream of span j adds R_j c_j / R_last, c_j the upstream share of the heat
    capacity; heat that leaves upstream by the budget's side ways takes R_j times their conductance.
    """
    inner, R = len(path.stages) - 1, R_K_per_W
    upstream, u_upstream = _upstream_share(path, prediction)
    per_K_per_W = upstream[:inner] / R[-1] - _side_conductance(path, prediction.budget)[:inner]
    u = u_upstream[:inner] * R[:inner] / R[-1]
    return R[:inner] * per_K_per_W, per_K_per_W, np.diag(u**2)


def _capacity_u(prediction: Prediction) -> list[float]:
    """Relative standard uncertainty of each stage's heat capacity."""
    return [
        CAPACITY_RELATIVE_U if stage.C_u_J_per_K is None else stage.C_u_J_per_K / max(value, 1e-12)
        for stage, value in zip(prediction.budget.stages, prediction.C_J_per_K, strict=True)
    ]


def _capacity_evidence(
    spans: Spans, path: Alignment, prediction: Prediction
) -> CapacityEvidence | None:
    """The heat capacity that the record shows over the budget's, per watt along the path.

    A node nobody measured stores its heat at the nearest measured one.
    """
    C = prediction.C_J_per_K
    if not spans.responses or C[-1] <= 0:
        return None
    budget = prediction.budget
    tree = budget.tree
    at = [tree.index(start) for start, _ in path.ends]
    ways = tree.ways[tree.ends[:, 0]]
    apart = np.abs(ways[:, np.newaxis] - tree.ways[at]).sum(axis=-1)  # in stages
    nearest = apart.argmin(axis=1)
    by_node: Array = np.bincount(nearest, weights=C, minlength=len(at)).astype(float)
    found = stored_heat(spans.responses[-1].signals, path.nodes, by_node, spans.power_W)
    if found is None:
        return None
    relative = _capacity_u(prediction)
    share = found.share[nearest] * C / by_node[nearest].clip(1e-12)
    left_out = UNKNOWN_UPSTREAM if np.any(C <= 0) else NOT_DRAWN
    return CapacityEvidence(
        ln_ratio=math.log(found.ratio * budget.conditions.path_fraction),
        u=math.hypot(*(share * relative), left_out, found.u / found.ratio),
        node_share=found.share,
    )


def _side_conductance(path: Alignment, budget: Budget) -> Array:
    """Conductance to ambient of the budget's side ways upstream of each span (s,) [W/K].

    A way to another node takes heat past a span, but none that follows the case's rise.
    """
    to_air = [leak for leak in budget.leaks if leak.to_node == budget.ambient]
    return np.array(
        [
            sum(1 / leak.R_K_per_W for leak in to_air if leak.node in budget.tree.upstream(start))
            for start, _ in path.ends
        ]
    )


def _upstream_share(path: Alignment, prediction: Prediction) -> tuple[Array, Array]:
    """Share of the heat capacity upstream of each span's middle (s,), with its uncertainty."""
    C_J_per_K, tree = prediction.C_J_per_K, prediction.budget.tree
    if C_J_per_K[-1] <= 0:
        unknown = np.full(len(path.stages), UNKNOWN_UPSTREAM)
        return unknown, unknown
    # A budget need not state every capacity: what is left out may be small, or not.
    left_out = UNKNOWN_UPSTREAM if np.any(C_J_per_K <= 0) else 0.0
    begins = tree.ends[:, 0]
    passing = tree.ways[begins].T @ C_J_per_K  # capacity whose heat passes each stage
    upstream = np.array(
        [0.5 * (passing[members[0]] + passing[members[-1]]) for members in path.stages]
    )
    share = upstream / C_J_per_K.sum()
    return share, np.hypot(CAPACITY_RELATIVE_U * share, left_out)
