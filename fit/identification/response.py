"""Shared time constants and per-node resistances from one run."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property, partial
from typing import TYPE_CHECKING, Any

import numpy as np

from fit.errors import NotIdentifiable, about
from fit.identification.covariance import ParameterCovariance
from fit.identification.energy_balance import CaseToAmbient, case_to_ambient
from fit.identification.model_order import Fitted, Grid, choose, doubts, finish, fit_order
from fit.identification.pole_model import CellRecord, reduce
from fit.records.run import Array, Run, stated_accuracy
from fit.signals.preparation import Signals, prepare
from fit.tabular import Tabular

if TYPE_CHECKING:
    from pandas import DataFrame

SETTLED_SHARE = 0.02  # of the slowest response still to come when a record counts as settled


@dataclass(frozen=True, eq=False)
class Response(Tabular):
    """The identified network: time constants shared by all nodes, resistances per node.

    K = number of time constants, m = number of nodes (the reference excluded), hottest node first
    on the heat path. `resistance[j, k]` is a_jk; its row sum is the node's total resistance to the
    reference. `covariance` holds every named contribution to the covariance of the totals
    ("fit", "offset", "sensor_match", "power"), each (m, m); their sum is the covariance.
    """

    reference: str
    nodes: tuple[str, ...]
    power: float  # mean power while heating [power_unit]
    power_unit: str
    tau_s: Array  # (K,) [s], ascending
    tau_u_s: Array  # (K,) [s]
    resistance_K_per_W: Array  # (m, K)
    resistance_u_K_per_W: Array  # (m, K)
    total_K_per_W: Array  # (m,)
    covariance: Mapping[str, Array]  # name -> (m, m) [(K/W)^2]
    curves: Callable[[], tuple[Array, Array]]  # gives fitted_K and residual_K
    signals: Signals
    settled: bool  # the record was long enough for the slowest time constant
    not_resolved: tuple[str, ...]  # what the data did not carry, one sentence each
    warnings: tuple[str, ...]
    run: Run | None = None  # the run it was identified from
    fit: Fitted | None = None  # the solved least-squares problem, for intervals
    air: CaseToAmbient | None = None  # by energy balance, where ambient is the reference

    def __repr__(self) -> str:
        tau = ", ".join(f"{one:.3g}" for one in self.tau_s)
        total = ", ".join(
            f"{node} {R:.3g}" for node, R in zip(self.nodes, self.total_K_per_W, strict=True)
        )
        above = self.reference or "its start"
        unit = f"K/{self.power_unit}"
        return f"<Response above {above}: τ {tau} s; totals {total} {unit}>"

    def to_frame(self) -> DataFrame:
        """A row a node: its total and its share of each time constant, per watt recorded."""
        import pandas as pd

        shares = {
            f"R_{tau:.3g}_s": self.resistance_K_per_W[:, k] for k, tau in enumerate(self.tau_s)
        }
        return pd.DataFrame(
            {
                "node": self.nodes,
                "R_total_K_per_W": self.total_K_per_W,
                "R_total_u_K_per_W": self.total_u_K_per_W,
                **shares,
            }
        )

    @property
    def total_u_K_per_W(self) -> Array:
        """Standard uncertainty of the totals (m,) [K/W]."""
        return np.sqrt(np.diag(np.sum(list(self.covariance.values()), axis=0)))

    @cached_property
    def _curves(self) -> tuple[Array, Array]:
        return self.curves()

    @property
    def fitted_K(self) -> Array:
        """Fitted rise above the reference (n, m) on the record's own samples [K].

        Worked out when first looked at: it is as large as the record.
        """
        return self._curves[0]

    @property
    def residual_K(self) -> Array:
        """Measured minus fitted (n, m), on the record's own samples [K]."""
        return self._curves[1]

    @property
    def samples(self) -> int:
        """Scans used."""
        return len(self.signals.t_s)

    @property
    def residual_rms_K(self) -> float:
        """Root mean square of the residuals of all nodes [K]."""
        return float(np.sqrt(np.nanmean(self.residual_K**2)))

    @property
    def foster_node(self) -> str:
        """The hottest node: the one whose Foster network is given."""
        return self.nodes[int(np.argmax(self.total_K_per_W))]

    @property
    def foster_R_K_per_W(self) -> Array:
        """Foster resistances of the hottest node (K,) [K/W]; negative where its sensor lags."""
        return self.resistance_K_per_W[self.nodes.index(self.foster_node)]

    @property
    def foster_R_u_K_per_W(self) -> Array:
        """Their standard uncertainties (K,) [K/W]."""
        return self.resistance_u_K_per_W[self.nodes.index(self.foster_node)]

    @property
    def foster_tau_s(self) -> Array:
        """Foster time constants (K,) [s]."""
        return self.tau_s

    @property
    def foster_tau_u_s(self) -> Array:
        """Their standard uncertainties (K,) [s]."""
        return self.tau_u_s


def path_order(nodes: tuple[str, ...]) -> tuple[str, ...]:
    """Nodes in order of the heat path: as recorded, ambient last."""
    return tuple(sorted(nodes, key=lambda node: node == "ambient"))


def choose_reference(nodes: tuple[str, ...], reference: str | None) -> str:
    """The reference node: as asked, else ambient, else the last node; "" for a node on its own."""
    if reference is not None:
        if reference not in nodes:
            raise NotIdentifiable(
                f"reference {reference!r} was not measured; measured: {', '.join(nodes)}"
            )
        if len(nodes) == 1:
            raise NotIdentifiable(f"{reference!r} is the only node; nothing to refer to it")
        return reference
    if len(nodes) == 1:
        return ""
    return path_order(nodes)[-1]


def heating_power(power: Array) -> float:
    """Mean power while heating (0 when it never was)."""
    size = np.abs(power)
    on = size > 0.02 * size.max()
    return float(power[on].mean()) if on.any() else 0.0


def identify(
    run: Run, reference: str | None = None, max_order: int = 6, order: int | None = None
) -> Response:
    """Fit shared time constants and per-node resistances, order chosen by the data.

    reference: the node rises are taken above; by default ambient, else the last node, else the
    node's own start. order: that many time constants, whatever the data say.
    Raises NotIdentifiable when the record does not carry an answer.
    """
    return identify_signals(prepare(run), reference, max_order, order, run=run)


def identify_signals(
    signals: Signals,
    reference: str | None = None,
    max_order: int = 6,
    order: int | None = None,
    *,
    run: Run | None = None,
    near: Fitted | None = None,
) -> Response:
    """Identify from prepared signals; see `identify`.

    near: the fit of a shorter record of the same run, to start from.
    """
    with about(run.path if run else None):
        reference = choose_reference(signals.nodes, reference)
        # Ambient is not part of the network: above another reference it is no node of it.
        nodes = tuple(n for n in path_order(signals.nodes) if n not in (reference, "ambient"))
        if not nodes:
            raise NotIdentifiable("only ambient was measured: there is no node on the heat path")
        record = reduce(signals, nodes, reference)
        fitted, not_resolved = solve_record(record, max_order, order, near)
        return _response(signals, record, fitted, not_resolved, run)


def solve_record(
    record: CellRecord, max_order: int, order: int | None, near: Fitted | None = None
) -> tuple[Fitted, tuple[str, ...]]:
    """The fit of a reduced record: of the order asked for, else of the order the data carries."""
    if order is None:
        return choose(record, max_order, near)
    grid = Grid(record)
    fitted = None
    for k in range(1, order + 1):
        fitted = fit_order(grid, k, fitted, starts=3)
    assert fitted is not None
    fitted = finish(fitted)
    return fitted, tuple(doubts(fitted))


def _response(
    signals: Signals,
    record: CellRecord,
    fitted: Fitted,
    not_resolved: tuple[str, ...],
    run: Run | None,
) -> Response:
    model, solution = fitted.model, fitted.solution
    m = len(record.nodes)
    covariance = fitted.covariance
    power = heating_power(signals.power)
    a = solution.coefficient[model.a] if model.powered else np.zeros((fitted.order, m))
    tau = fitted.tau_s
    total = a.sum(axis=0)
    contributions = _contributions(
        signals, record, fitted, covariance, total=total, power=power, run=run
    )
    air = None
    if record.reference == "ambient" and power:
        air = case_to_ambient(signals, record.nodes[-1], power)
    unseen = _unseen_rise(air, total)
    contributions["fit"] = contributions["fit"] + unseen**2
    a_u = np.zeros_like(a)
    variance = np.diag(covariance.total)
    q, p = len(solution.theta), model.parameters
    for j in range(m if model.powered else 0):
        a_u[:, j] = np.sqrt(variance[q + p * j + model.a])
    slowest = int(np.argmax(tau))
    a_u[slowest] = np.hypot(a_u[slowest], unseen)
    tau_u = tau * np.sqrt(variance[: fitted.order])
    settled = bool(np.exp(-record.length_s / tau.max()) < SETTLED_SHARE) and not unseen
    warnings = list(signals.warnings)
    if not model.powered:
        warnings.append("no power was on: time constants only, no resistances")
    if not settled:
        totals = f": totals to {record.reference or 'the start'} are extrapolated"
        warnings.append(
            f"the record ({record.length_s:.0f} s) ends before the slowest time constant"
            f" ({tau.max():.0f} s{' or more' if unseen else ''}) has settled"
            + (totals if model.powered else "")
        )
    return Response(
        reference=record.reference,
        nodes=record.nodes,
        power=power,
        power_unit=signals.power_unit,
        tau_s=tau,
        tau_u_s=tau_u,
        resistance_K_per_W=a.T.copy(),
        resistance_u_K_per_W=a_u.T.copy(),
        total_K_per_W=total,
        covariance=contributions,
        curves=partial(evaluate, signals, record, fitted),
        signals=signals,
        settled=settled,
        not_resolved=not_resolved,
        warnings=tuple(warnings),
        run=run,
        fit=fitted,
        air=air,
    )


def _unseen_rise(air: CaseToAmbient | None, total: Array) -> float:
    """What an unsettled record leaves open of every total to ambient [K/W], 0 where it is settled.

    Exponentials fitted to the start of a slow rise say where it would end as if they had seen it,
    and as if the case lost heat in proportion to its rise: the energy balance knows better.
    """
    if air is None or air.settled:
        return 0.0
    return float(np.hypot(total[-1] - air.R_K_per_W, np.sqrt(air.fit_variance)))


def _totals(matrix: Array, fitted: Fitted) -> Array:
    """Covariance (m, m) of the nodes' totals from that of all parameters."""
    model, q = fitted.model, len(fitted.solution.theta)
    m = len(model.record.nodes)
    pick = np.zeros((m, len(matrix)))
    if model.powered:
        for j in range(m):
            pick[j, q + model.parameters * j + model.a] = 1.0
    return pick @ matrix @ pick.T


def _contributions(
    signals: Signals,
    record: CellRecord,
    fitted: Fitted,
    covariance: ParameterCovariance,
    *,
    total: Array,
    power: float,
    run: Run | None,
) -> dict[str, Array]:
    """The named contributions to the covariance of the totals, (m, m) each [(K/W)^2]."""
    known = _totals(covariance.known_offset, fitted)
    offset = positive(_totals(covariance.total, fitted) - known)
    match_u, power_u = _stated_uncertainties(run, (*record.nodes, record.reference))
    rise = np.zeros(len(match_u))
    if power:
        temperature = signals.temperature_degC
        for i, node in enumerate((*record.nodes, record.reference)):
            if match_u[i]:
                series = temperature[:, signals.nodes.index(node)]
                rise[i] = (np.nanmax(series) - np.nanmin(series)) / power
    channel = (match_u * rise) ** 2
    return {
        "fit": known,
        "offset": offset,
        "sensor_match": np.diag(channel[:-1]) + channel[-1],
        "power": power_u**2 * np.outer(total, total),
    }


def positive(matrix: Array) -> Array:
    """The nearest covariance: negative eigenvalues set to zero."""
    values, vectors = np.linalg.eigh(0.5 * (matrix + matrix.T))
    return (vectors * np.maximum(values, 0.0)) @ vectors.T


def _stated_uncertainties(run: Run | None, nodes: tuple[str, ...]) -> tuple[Array, float]:
    """Relative uncertainties of each node's channel (nodes,) and of the power, as stated."""
    if run is None:
        return np.zeros(len(nodes)), 0.0
    stated, power_u = stated_accuracy(run.path, run.document)
    return np.array([stated.get(node, 0.0) for node in nodes]), power_u


def evaluate(signals: Signals, record: CellRecord, fitted: Fitted) -> tuple[Array, Array]:
    """Fitted rise and residual on the record's own samples, (n, m) each [K].

    In a cell every node's rise is a constant and K decaying exponentials: one small product each.
    """
    cells, tau = record.cells, fitted.tau_s
    table = _cell_coefficients(record, fitted)
    n, m = len(signals.t_s), len(record.nodes)
    fitted_K, residual_K = np.empty((n, m)), np.empty((n, m))
    columns: Any = [signals.nodes.index(node) for node in record.nodes]
    if columns == list(range(columns[0], columns[0] + m)):
        columns = slice(columns[0], columns[0] + m)
    r = signals.nodes.index(record.reference) if record.reference else None
    sampled = np.flatnonzero(cells.samples > 0)
    first, last = cells.first[sampled], cells.first[sampled] + cells.samples[sampled]
    begin = 0
    while begin < len(sampled):
        end = max(begin + 1, int(np.searchsorted(last, first[begin] + CHUNK, side="right")))
        part = slice(int(first[begin]), int(last[end - 1]))
        start = np.repeat(cells.start_s[sampled[begin:end]], cells.samples[sampled[begin:end]])
        decay = np.ones((fitted.order + 1, part.stop - part.start))
        np.multiply(-1 / tau[:, None], signals.t_s[part] - start, out=decay[1:])
        np.exp(decay[1:], out=decay[1:])
        for i in range(begin, end):
            rows = decay[:, first[i] - part.start : last[i] - part.start]
            np.matmul(rows.T, table[sampled[i]], out=fitted_K[first[i] : last[i]])
        np.subtract(signals.temperature_degC[part, columns], fitted_K[part], out=residual_K[part])
        if r is not None:
            residual_K[part] -= signals.temperature_degC[part, r, None]
        begin = end
    return fitted_K, residual_K


def _cell_coefficients(record: CellRecord, fitted: Fitted) -> Array:
    """Constant and coefficient of exp(-(t - start) / tau_k) of each cell and node (c, 1 + K, m)."""
    model, solution = fitted.model, fitted.solution
    cells, filters, tau = record.cells, record.filters, fitted.tau_s
    z, w = filters.states(tau)
    c, K = solution.coefficient, fitted.order
    table = np.zeros((len(cells.samples), 1 + K, c.shape[1]))
    table[:, 0] = c[0]
    if model.powered:
        shift = solution.theta[K] if record.edge_free else 0.0
        p, a = cells.power[:, None], c[model.a]
        table[:, 0] += p * a.sum(axis=0)
        table[:, 1:] -= (np.exp(shift / tau) * (p - z))[:, :, None] * a
    if model.has_reference:
        slope, b = filters.slope[:, None], c[model.b]
        table[:, 0] -= slope * (tau @ b)
        table[:, 1:] += (w - filters.level[:, None] + slope * tau)[:, :, None] * b
    if record.hot_start:
        age = (cells.start_s - cells.start_s[0])[:, None]
        table[:, 1:] += np.exp(-age / tau)[:, :, None] * c[model.e]
    return table


CHUNK = 16_384  # samples evaluated at a time: bounds the memory beside the record
