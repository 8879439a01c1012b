"""Several sources without a budget: time constants shared by all nodes and all sources.

    T_j − T_ref = c_j + Σ_s Σ_k a_jsk L_k[P_s] − Σ_k b_jk (T_ref − L_k[T_ref]),
    Z_js = Σ_k a_jsk

No network is supposed, so the record alone must hold each source's share: the changes of the
powers, sources by scans, must have full rank. Amplitudes and b are projected out as of one source
(`fit.identification.least_squares`); further time constants are added while each gains what is
significant by the same rules (`fit.identification.model_order`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri

from fit.errors import NotIdentifiable, about
from fit.identification.covariance import correlation_inflation, parameter_covariance
from fit.identification.identify import SETTLED_SHARE, choose_reference
from fit.identification.least_squares import Derivative, Prior, Problem, Projected, solve
from fit.identification.model_order import (
    CLOSEST_RATIO,
    SEARCHED,
    SIGNIFICANCE,
    WIDEST_LN_TAU,
)
from fit.identification.pole_model import CellRecord
from fit.identification.tree.record import SourceRecord, source_record
from fit.records.run import Array, Run
from fit.signals.preparation import Signals, only, prepare

CHANGED = 0.02  # of its highest power: a source that changed. As of a tree's sources
TRIED = 16  # further time constants looked at, evenly in the logarithm: a factor 2 apart. Ours
MOST_ORDER = 6  # time constants, as of one source


class SourcesModel:
    """The response of a record of several sources at a number of time constants.

    Columns: the constant, then L_k of each source, then of the reference.
    """

    def __init__(self, sources: SourceRecord, order: int) -> None:
        self.sources, self.order = sources, order
        self.record: CellRecord = sources.cells
        self.count = sources.power.shape[1]
        self.edge_free = self.record.edge_free
        self.parameters: int = 1 + (self.count + bool(self.record.reference)) * order
        self.a = 1 + np.arange(self.count * order).reshape(self.count, order)
        self.b = 1 + self.count * order + np.arange(self.parameters - 1 - self.count * order)

    def basis(self, theta: Array) -> tuple[Array, list[Derivative]]:
        """Design matrix (N, p) and its derivatives by θ = (ln τ, edge)."""
        K, cells = self.order, len(self.record.cells.samples)
        tau, edge = np.exp(theta[:K]), theta[K:]
        found = self.sources.interpolated(tau)
        power, d_power = found.power, found.d_power
        held = self.sources.power.T[:, :, np.newaxis]
        left = held - power
        if edge.size:
            growth = np.exp(edge / tau)
            power, d_power = held - growth * left, growth * (d_power + edge / tau * left)
        phi, slope = np.zeros((2, cells + len(self.b), self.parameters))
        phi[:cells, 0] = 1.0
        for s in range(self.count):
            phi[:cells, self.a[s]], slope[:cells, self.a[s]] = power[s], d_power[s]
        if len(self.b):
            phi[:cells, self.b], slope[:cells, self.b] = -found.reference, -found.d_reference
            phi[cells + np.arange(K), self.b] = 1.0
        of_tau = [slice(1 + k, None, K) for k in range(K)]
        derivatives: list[Derivative] = [(columns, slope[:, columns]) for columns in of_tau]
        if edge.size:
            by_edge = np.zeros((len(phi), self.count * K))
            by_edge[:cells] = np.hstack([*(-growth / tau * left)])
            derivatives.append((slice(1, 1 + self.count * K), by_edge))
        return phi, derivatives

    @property
    def problem(self) -> Problem:
        """The least-squares problem; of b what any network has, some 1/K give or take 1."""
        record, K = self.record, self.order
        y, weight = record.rise_K, record.weight
        if len(self.b):
            m = y.shape[1]
            y = np.concatenate((y, np.full((K, m), 1 / K)))
            weight = np.concatenate((weight, np.tile(record.node_share, (K, 1))))
        lower = np.full(K, np.log(0.6 * record.scan_s))
        upper = np.full(K, np.log(SEARCHED * record.length_s))
        if not self.edge_free:
            return Problem(self.basis, y, weight, lower, upper)
        scan = record.scan_s
        prior = Prior(np.append(np.zeros(K), -scan / 2), np.append(np.full(K, np.inf), scan / 2))
        lower, upper = np.append(lower, -scan), np.append(upper, 0.0)
        return Problem(self.basis, y, weight, lower, upper, prior)


@dataclass(frozen=True, eq=False)
class SourcesResponse:
    """Rise of every node per watt of every source, by no more than shared time constants."""

    run: Run
    nodes: tuple[str, ...]
    reference: str
    power_W: Array  # (sources,) of each while it was on
    tau_s: Array  # (K,) ascending
    tau_u_s: Array  # (K,)
    resistance_K_per_W: Array  # (m, sources, K)
    Z_K_per_W: Array  # (m, sources)
    Z_covariance: Array  # (m, sources, sources) of each node's [(K/W)^2]
    residual_rms_K: float
    samples: int
    settled: bool
    warnings: tuple[str, ...]

    @property
    def Z_u_K_per_W(self) -> Array:
        """Standard uncertainties (m, sources)."""
        return np.asarray(np.sqrt(np.einsum("jss->js", self.Z_covariance)))


def identify_sources(
    run: Run, reference: str | None = None, order: int | None = None
) -> SourcesResponse:
    """Fit shared time constants to a run of several sources.

    Args:
        run: as recorded.
        reference: the node rises are taken above; ambient, else the last node, when None.
        order: so many time constants; as many as the record carries when None.

    Returns:
        Rise of every node per watt of every source.

    Raises:
        NotIdentifiable: sources never change apart, or too little was measured.
    """
    with about(run.path):
        signals = prepare(run)
        above = choose_reference(signals.nodes, reference)
        nodes = tuple(node for node in signals.nodes if node not in (above, "ambient"))
        if signals.source_power is None or not nodes or not above:
            raise NotIdentifiable("two nodes at least are needed, one of them the reference")
        check_apart(signals.source_power, run.sources)
        inner = only(signals, (*nodes, above))
        sources = source_record(inner, nodes, above, np.ones(len(run.sources)))
        model, solution = _ordered(sources, order)
        return _response(model, solution, signals, run)


def check_apart(source_power: Array, names: tuple[str, ...]) -> None:
    """Refuse a record in which some sources never change apart from the others.

    Args:
        source_power: of each source at each scan (n, sources) [W].
        names: of the sources.

    Raises:
        NotIdentifiable: in words, which ones.
    """
    change = source_power - source_power[0]
    highest = np.abs(change).max(axis=0)
    most = max(float(np.abs(source_power).max()), 1e-12)
    for name, one in zip(names, highest, strict=True):
        if one <= CHANGED * most:
            raise NotIdentifiable(
                f"the power of '{name}' never changes: what it warms cannot be told without a"
                " budget; state --budget, or switch it"
            )
    scaled = change / np.sqrt((change**2).sum(axis=0))
    _, size, direction = np.linalg.svd(scaled, full_matrices=False)
    if size[-1] <= CHANGED * size[0]:
        bound = np.abs(direction[-1]) > CHANGED
        both = [name for name, one in zip(names, bound, strict=True) if one]
        raise NotIdentifiable(
            f"{' and '.join(both)} only change together: whose heat warms what cannot be told"
            " without a budget; state --budget, or switch them off one after another"
        )


def _ordered(sources: SourceRecord, order: int | None) -> tuple[SourcesModel, Projected]:
    """The fit of the order asked for, else of the highest that the record carries."""
    m = sources.cells.rise_K.shape[1]
    model, best = _next_order(sources, None)
    usable = int((sources.cells.weight > 0).sum(axis=0).min())
    while model.order < (order or MOST_ORDER):
        further, found = _next_order(sources, best.theta[: model.order])
        if order is None:
            more = 1 + m * (further.parameters - model.parameters)
            needed = chdtri(more, SIGNIFICANCE) * correlation_inflation(found)
            gain = best.cost - found.cost
            if gain < needed or 2 * further.parameters > usable or _is_doubtful(further, found):
                break
        model, best = further, found
    return model, best


def _next_order(sources: SourceRecord, ln_tau: Array | None) -> tuple[SourcesModel, Projected]:
    """The fit with one more time constant, begun where one tried gains most."""
    known = np.array([]) if ln_tau is None else ln_tau
    model = SourcesModel(sources, len(known) + 1)
    problem, record = model.problem, sources.cells
    edge = [-0.5 * record.scan_s] if model.edge_free else []
    tried = np.linspace(np.log(record.scan_s), np.log(record.length_s), TRIED)
    starts = [
        np.concatenate((np.sort(np.append(known, one)), edge))
        for one in tried
        if not len(known) or np.abs(known - one).min() > np.log(CLOSEST_RATIO) / 2
    ]
    start = min(starts, key=lambda theta: problem.at(theta, False).cost)
    return model, solve(problem, start)


def _is_doubtful(model: SourcesModel, found: Projected) -> bool:
    """Whether a time constant is too close to another, beyond the record, or has no interval."""
    tau = np.sort(np.exp(found.theta[: model.order]))
    variance = np.diag(parameter_covariance(model, model.problem, found).total)[: model.order]
    return bool(
        (tau[1:] < CLOSEST_RATIO * tau[:-1]).any()
        or tau[-1] > model.record.length_s
        or not (np.sqrt(np.maximum(variance, 0.0)) < WIDEST_LN_TAU).all()
    )


def _response(
    model: SourcesModel, solution: Projected, signals: Signals, run: Run
) -> SourcesResponse:
    record, K = model.record, model.order
    m, q, p = len(record.nodes), len(solution.theta), model.parameters
    ascending = np.argsort(solution.theta[:K])
    tau = np.exp(solution.theta[ascending])
    whole = parameter_covariance(model, model.problem, solution).total
    a = solution.coefficient[model.a].transpose(2, 0, 1)  # (m, sources, K)
    Z, power_u = a.sum(axis=2), run.metadata.power_u
    covariance = np.empty((m, model.count, model.count))
    for j in range(m):
        pick = np.zeros((model.count, len(whole)))
        for s in range(model.count):
            pick[s, q + p * j + model.a[s]] = 1.0
        covariance[j] = pick @ whole @ pick.T + np.diag((power_u * Z[j]) ** 2)
    assert signals.source_power is not None
    on = signals.source_power > CHANGED * signals.source_power.max(axis=0)
    cells = len(record.cells.samples)
    seen = record.weight > 0
    left = np.where(seen, solution.residual[:cells] / np.where(seen, record.weight, 1.0), np.nan)
    longest = np.diff(np.append(signals.t_s[list(signals.phase_starts)], signals.t_s[-1])).max()
    settled = bool(np.exp(-longest / tau[-1]) < SETTLED_SHARE)
    warnings = list(signals.warnings)
    if not settled:
        warnings.append(
            f"no stretch between power steps is long beside the slowest time constant"
            f" ({tau[-1]:.0f} s): totals above {record.reference} are extrapolated"
        )
    return SourcesResponse(
        run=run,
        nodes=record.nodes,
        reference=record.reference,
        power_W=(signals.source_power * on).sum(axis=0) / np.maximum(on.sum(axis=0), 1),
        tau_s=tau,
        tau_u_s=tau * np.sqrt(np.diag(whole)[ascending]),
        resistance_K_per_W=a[:, :, ascending],
        Z_K_per_W=Z,
        Z_covariance=covariance,
        residual_rms_K=float(np.sqrt(np.nanmean(left**2))),
        samples=len(signals.t_s),
        settled=settled,
        warnings=tuple(warnings),
    )
