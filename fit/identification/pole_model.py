"""The linear model of one record: every node's rise above the reference, from power and reference.

    T_j − T_ref = c_j + Σ_k a_jk L_k[P] − Σ_k b_jk (T_ref − L_k[T_ref])
                      + Σ_k e_jk exp(−(t − t_0)/τ_k)

exact for any linear network whose reference is measured: same poles, two inputs, an initial state.
Non-linear parameters θ: ln τ_k, and the shift of the power edge within its scan where it is
unknown.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from fit.identification.least_squares import Derivative, Prior, Problem
from fit.identification.lowpass import Filtered, Filters
from fit.identification.lowpass_table import FilterTable
from fit.records.run import Array
from fit.signals.cell_noise import cell_noise, rise_noise
from fit.signals.cells import Cells, Index, average, cut, knots
from fit.signals.preparation import Signals
from fit.signals.quantization import scan_noise
from fit.signals.smoothing import smoothed

# A reference coefficient is of the order of one and the sum over all modes is exactly one. How far
# a mode's may be from what the ladder says (below) before the data has to show it. Ours.
REFERENCE_PRIOR_SD = 0.15
REFERENCE_PRIOR_RELATIVE = 0.3  # of itself, more than that. Ours
# Of a scan, and of the record: a time constant at such a limit is seen as a step, or as a slope,
# and no nearer. Ours.
SHORTEST, LONGEST = 0.3, 6.0
SHORTEST_LUMP_S = 1e-3  # of ladders tried in a search: no scan interval distinguishes it from zero


@dataclass(frozen=True, eq=False)
class CellRecord:
    """A record as cells: means of each node's rise above the reference, with their noise."""

    cells: Cells
    nodes: tuple[str, ...]
    reference: str  # "" when the reference is the node's own start
    rise_K: Array  # (c, m) mean of T_j - T_ref, 0 where missing
    warmed_K: Array  # (c, m + 1) rise of each reading above its lowest, the reference's last
    sd_K: Array  # (c, m) standard deviation of that mean, infinite where missing
    weight: Array  # (c, m) one over it, by one profile for all nodes, 0 where missing
    node_weight: Array  # (m,) its factor by node
    correlation: Array  # (m, m) of the nodes' noise: the reference's own is in every rise
    noise_cost: float  # sum of squares, whitened, that noise alone leaves
    noise_cost_sd: float  # its standard deviation: chi squared's, and of noise known from scatter
    filters: Filters
    scan_s: float
    length_s: float  # from the first power step (or the start) to the end
    hot_start: bool  # the record begins away from rest
    edge_free: bool  # the time of the power step is known to a scan only
    lags: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """Known time constants of sensors, with their standard uncertainties [s]."""
    match_u: Mapping[str, float] = field(default_factory=dict)
    """Relative standard uncertainty of a sensor's rise, where the rig states it."""

    @cached_property
    def whitening(self) -> Array:
        """What makes the nodes' weighted residuals (c, m) independent of each other: (m, m)."""
        return np.asarray(np.linalg.inv(np.linalg.cholesky(self.correlation)).T)

    @cached_property
    def gained(self) -> tuple[str, ...]:
        """The sensors, the reference's last, whose match the rig states."""
        return tuple(one for one in (*self.nodes, self.reference) if self.match_u.get(one))

    @cached_property
    def by_gain_K(self) -> Array:
        """What each of those adds to every rise above the reference, a unit of gain (c, m, k)."""
        m = len(self.nodes)
        added = np.zeros((len(self.rise_K), m, m + 1))
        added[:, np.arange(m), np.arange(m)] = self.warmed_K[:, :m]
        added[:, :, m:] = -self.warmed_K[:, np.newaxis, m:]
        sensors = (*self.nodes, self.reference)
        return added[:, :, [sensors.index(one) for one in self.gained]]

    @cached_property
    def node_share(self) -> Array:
        """The nodes' own weights (m,) against their geometric mean."""
        return np.asarray(self.node_weight / np.exp(np.mean(np.log(self.node_weight))))

    @cached_property
    def table(self) -> FilterTable:
        """The filters over the whole range of time constants searched."""
        return FilterTable(self.filters, SHORTEST * self.scan_s, LONGEST * self.length_s)

    @cached_property
    def ladder_table(self) -> FilterTable:
        """The same, down to the lags of sensors and to small lumps."""
        return FilterTable(self.filters, SHORTEST_LUMP_S, LONGEST * self.length_s)


def reduce(signals: Signals, nodes: tuple[str, ...], reference: str) -> CellRecord:
    """Cut a record into cells and average each node's rise above the reference."""
    starts = np.array(signals.phase_starts)
    edge_s = np.full(len(starts), np.nan)
    known = np.array(signals.edge_known)
    edge_s[1:] = np.where(known[1:], signals.power_edges_s, np.nan)
    soaked = signals.soak_samples > 0
    cells = cut(signals.t_s, signals.power, starts, edge_s, soaked)
    columns = [signals.nodes.index(node) for node in nodes]
    mean, count = average(cells, signals.temperature_degC)
    phase = np.searchsorted(starts, cells.first, side="right") - 1
    steps = np.zeros(len(signals.nodes))
    if reference:
        scans = signals.scan_noise
        steps = steps if signals.quantum_K is None else signals.quantum_K
    else:
        # A node on its own is fitted by plain least squares: its rise sweeps over the steps.
        scans = tuple(scan_noise(column) for column in signals.temperature_degC.T)
    noise = cell_noise(scans, steps, cells, mean, phase)
    rise, number, knot_degC, left = mean[:, columns], count[:, columns], None, 1.0
    r = signals.nodes.index(reference) if reference else None
    if r is not None:
        seen, level = count[:, r] > 0, mean[:, r].copy()
        sd_K = np.sqrt(noise.variance_K2(r, count[:, r])[seen])
        level[seen], left = smoothed(level[seen], sd_K)
        left = noise.left_by_smoothing(r, count[:, r], left)
        knot_degC = knots(cells, level)
        if np.array_equal(number, np.repeat(count[:, [r]], len(nodes), axis=1)):
            rise = rise - level[:, np.newaxis]
        else:
            times = np.append(cells.start_s, cells.start_s[-1] + cells.length_s[-1])
            there = np.interp(signals.t_s, times, knot_degC)
            there[~np.isfinite(signals.temperature_degC[:, r])] = np.nan
            difference = signals.temperature_degC[:, columns] - there[:, np.newaxis]
            rise, number = average(cells, difference)
    read = mean[:, columns if r is None else [*columns, r]]
    noises = rise_noise(noise, columns, r, number, left)
    started = starts[1] if signals.soak_samples and len(starts) > 1 else 0
    always_off = not np.any(cells.power)
    return CellRecord(
        cells=cells,
        nodes=nodes,
        reference=reference,
        rise_K=np.where(np.isfinite(rise), rise, 0.0),
        warmed_K=np.nan_to_num(read - np.fmin.reduce(read, axis=0)),
        sd_K=noises.sd_K,
        weight=noises.weight,
        node_weight=noises.node_weight,
        correlation=noises.correlation,
        noise_cost=noises.cost,
        noise_cost_sd=noises.cost_sd,
        filters=Filters(cells, knot_degC),
        scan_s=cells.scan_s,
        length_s=float(signals.t_s[-1] - signals.t_s[started]),
        hot_start=always_off or signals.hot_start,
        edge_free=len(starts) > 1 and not known[1:].all(),
        lags=signals.lags,
        match_u=signals.match_u,
    )


class Model:
    """The model of a reduced record at a given number of time constants.

    interpolated: filter by the record's table, for a search; exactly otherwise.
    """

    def __init__(self, record: CellRecord, order: int, interpolated: bool = False) -> None:
        self.record, self.order = record, order
        self.filters: Callable[[Array], Filtered] = record.table if interpolated else record.filters
        self._latest: tuple[bytes, tuple[Array, list[Derivative]]] | None = None
        self.has_reference = bool(record.reference)
        groups = 1 + self.has_reference + record.hot_start
        self.parameters = 1 + groups * order
        self.powered = bool(np.any(record.cells.power))
        if not self.powered:
            self.parameters -= order
        columns = 1 + np.arange(groups * order).reshape(groups, order)
        position = 0
        self.a = self.b = self.e = np.array([], dtype=int)
        if self.powered:
            self.a, position = columns[position], position + 1
        if self.has_reference:
            self.b, position = columns[position], position + 1
        if record.hot_start:
            self.e = columns[position]

    def basis(self, theta: Array) -> tuple[Array, list[Derivative]]:
        """Design matrix and its derivatives by θ: the Basis of fit.varpro. The last is kept."""
        place = theta.tobytes()
        if self._latest is None or self._latest[0] != place:
            self._latest = place, self._basis(theta)
        return self._latest[1]

    def _basis(self, theta: Array) -> tuple[Array, list[Derivative]]:
        record, K = self.record, self.order
        tau = np.exp(theta[:K])
        filtered = self.filters(tau)
        cells = len(record.cells.samples)
        rows = cells + (K if self.has_reference else 0)
        # Columns of the design matrix lie one after the other in memory.
        phi, d_phi = np.zeros((2, self.parameters, rows))
        phi[0, :cells] = 1.0
        by_edge = None
        if self.powered:
            p, a = record.cells.power, _slice(self.a)
            if record.edge_free:
                growth = np.exp(theta[K] / tau)[:, None]
                lag = p - filtered.power.T
                phi[a, :cells] = p - growth * lag
                d_phi[a, :cells] = growth * (filtered.d_power.T + theta[K] / tau[:, None] * lag)
                by_edge = np.zeros((K, rows))
                by_edge[:, :cells] = -growth / tau[:, None] * lag
            else:
                phi[a, :cells] = filtered.power.T
                d_phi[a, :cells] = filtered.d_power.T
        if self.has_reference:
            b = _slice(self.b)
            np.negative(filtered.reference.T, out=phi[b, :cells])
            np.negative(filtered.d_reference.T, out=d_phi[b, :cells])
            phi[self.b, cells + np.arange(K)] = 1.0
        if record.hot_start:
            e = _slice(self.e)
            phi[e, :cells] = filtered.initial.T
            d_phi[e, :cells] = filtered.d_initial.T
        derivatives: list[Derivative] = []
        for k in range(K):
            columns = slice(1 + k, None, K)
            derivatives.append((columns, d_phi[columns].T))
        if by_edge is not None:
            derivatives.append((_slice(self.a), by_edge.T))
        return phi.T, derivatives

    def ladder_reference(self, coefficient: Array) -> Array:
        """What b_jk (K, m) a ladder with these a_jk has: a_jk a_Lk / (a_0k R_L).

        L is the node next to the reference and 0 the heated one. Reciprocity: all heat reaches the
        reference through node L, so the mode's drive by the reference is its drive by a heat at L.
        """
        a = coefficient[self.a]
        total = a.sum(axis=0)
        hottest = int(np.argmax(total))
        last = a.shape[1] - 1
        with np.errstate(divide="ignore", invalid="ignore"):
            b = a * (a[:, [last]] / a[:, [hottest]]) / total[last]
        return np.minimum(np.maximum(np.where(np.isfinite(b), b, 0.0), -0.5), 1.5)

    def problem(self, reference_prior: Array | None = None) -> Problem:
        """The least-squares problem, with the prior on the reference coefficients (K, m)."""
        record, K = self.record, self.order
        y, weight = record.rise_K, record.weight
        if self.has_reference:
            m = y.shape[1]
            if reference_prior is None:
                reference_prior, sd = np.full((K, m), 1 / K), np.ones(K)
            else:
                sd = REFERENCE_PRIOR_SD + REFERENCE_PRIOR_RELATIVE * np.abs(reference_prior).max(1)
            # In proportion to the nodes' own weights, so that all nodes share one factorisation.
            y = np.concatenate((y, reference_prior))
            weight = np.concatenate((weight, record.node_share / sd[:, None]))
        return Problem(self.basis, y, weight, *self._limits)

    @cached_property
    def _limits(self) -> tuple[Array, Array, Prior | None]:
        """Lower and upper limits of θ, and what is known of the power edge."""
        record, K = self.record, self.order
        lower = np.full(K, np.log(SHORTEST * record.scan_s))
        upper = np.full(K, np.log(LONGEST * record.length_s))
        if not (record.edge_free and self.powered):
            return lower, upper, None
        scan = record.scan_s
        prior = Prior(np.append(np.zeros(K), -scan / 2), np.append(np.full(K, np.inf), scan / 2))
        return np.append(lower, -scan), np.append(upper, 0.0), prior


def _slice(columns: Index) -> slice:
    """Neighbouring columns as a slice."""
    return slice(int(columns[0]), int(columns[-1]) + 1)
