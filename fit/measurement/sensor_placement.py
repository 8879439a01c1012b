"""Evidence on thermocouples that needs no budget: how much of the case's slow rise a span shows.

Once the fast transients are over, the difference of two neighbouring nodes j, j + 1 on the path is

    T_j − T_{j+1} = R_j (P − C_j dT/dt) = R_j (1 − c_j) P + R_j c_j (T_case − T_ambient) / R_last,

c_j being the share of the heat capacity above the span: the case's rise shows in it only by the
heat stored upstream, one or two per mille. A thermocouple that misses a fraction f of its rise adds
f times the whole rise, for as long as the case is warm: after power-off too, when every node inside
is at one temperature. The share κ_j of the case's rise in each span therefore distinguishes a loose
thermocouple from a high resistance, independently of the budget.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.identification.autocorrelation import MOST_UNDESCRIBED, correlogram, inflation
from fit.identification.lowpass import Filters
from fit.identification.pole_model import SHORTEST_LUMP_S, reduce
from fit.network.topology import chain
from fit.records.run import Array
from fit.signals.cells import average
from fit.signals.preparation import Signals

FASTEST_SCANS = 2.0  # a faster filter has settled by the next scan but one
SLOWEST_SHARE = 0.1  # of the case's own time scale
SLOWER = 2.0  # times: the slowest filter of the second look
FILTERS = 6  # about one an octave from two scans to a tenth of a case's time scale
MOST_SAMPLES = 30  # of a cell: with more, the filters' model error exceeds the noise
GAIN_U = 0.003  # of a thermocouple and its channel, relative (IEC 60584-1 class 1: 0.4 %)


@dataclass(frozen=True, eq=False)
class SlowLook:
    """How the share was read off a record, to read it in the same way off a network's response."""

    row: Array  # (c,) by which a node's rises in the cells are added up
    filters: Filters
    seen: NDArray[np.bool_]  # the record's cells that count

    def levels(self, amplitude_K_per_W: Array, tau_s: Array) -> Array:
        """What the row makes of the rises of a network's nodes.

        Args:
            amplitude_K_per_W: of each node's terms (nodes, k).
            tau_s: their time constants (k,), 0 for a part without delay.

        Returns:
            The sums (nodes,), in proportion to each other.
        """
        power = self.filters(np.maximum(tau_s, SHORTEST_LUMP_S)).power[self.seen]
        return np.asarray(amplitude_K_per_W @ (self.row @ power))


@dataclass(frozen=True, eq=False)
class SlowShare:
    """Share κ of the case's rise above ambient that each span shows, per kelvin.

    The last span, case to ambient, shows all of it: 1, without uncertainty.
    """

    share: Array  # (s,) dimensionless
    covariance: Array  # (s, s)
    look: SlowLook | None = None


def slow_share(signals: Signals, nodes: tuple[str, ...]) -> SlowShare | None:
    """Share of the case's rise in every span between neighbouring nodes.

    Ordinary least squares of each difference on the low-passed power (the fast transients) and on
    the case's rise. In a short record the fast transients may not be over: the
    share by filters twice as slow then differs, and the difference counts as uncertainty.

    Args:
        signals: offset-corrected record.
        nodes: measured nodes in order of the path, ambient last.

    Returns:
        None where there is no ambient, no inner span, or no slow rise.
    """
    if nodes[-1] != "ambient" or len(nodes) < 3:
        return None
    record = reduce(signals, nodes[:-1], "ambient")
    columns = [signals.nodes.index(node) for node in nodes]
    mean, count = average(record.cells, signals.temperature_degC[:, columns])
    seen = np.asarray((count > 0).all(axis=1))
    rise = mean[seen, :-1] - mean[seen, -1:]
    weight = np.sqrt(np.minimum(count[seen].min(axis=1), MOST_SAMPLES))
    case = rise[:, -1]
    slowest = SLOWEST_SHARE * _time_scale(record.cells.middle_s[seen], case)
    fastest = FASTEST_SCANS * record.scan_s
    inner = chain(nodes).incidence[:-1]  # the spans but the last, by nodes
    if not slowest > 2 * fastest or np.ptp(case) <= 0:
        return None

    def by(slowest_s: float) -> Array:
        tau = np.geomspace(fastest, slowest_s, FILTERS)
        return np.column_stack([np.ones(len(case)), case, record.filters(tau).power[seen]])

    design = by(slowest)
    found = _regress(design, rise, inner, weight)
    moved = _regress(by(SLOWER * slowest), rise, inner, weight).share - found.share
    return SlowShare(
        share=found.share,
        covariance=found.covariance + np.diag(moved**2),
        look=SlowLook(_row(design, weight), record.filters, seen),
    )


def _time_scale(t_s: Array, case_K: Array) -> float:
    """Time from the start of the case's rise to 63 % of its highest [s]."""
    high = case_K.max()
    reached = np.argmax(case_K >= 0.63 * high)
    begun = np.argmax(case_K >= 0.03 * high)
    return float(t_s[reached] - t_s[begun])


def _row(design: Array, weight: Array) -> Array:
    """What gives the coefficient of the case's rise, applied to a difference (c,)."""
    return np.asarray(np.linalg.pinv(design * weight[:, None])[1] * weight)


def _regress(design: Array, rise: Array, inner: Array, weight: Array) -> SlowShare:
    """Coefficient of the case's rise in each difference over a span, with covariance.

    inner: incidence of the spans (s - 1, nodes).
    """
    scaled = design * weight[:, None]
    inverse = np.linalg.pinv(scaled)
    target = rise @ inner.T * weight[:, None]
    coefficient = inverse @ target
    residual = target - scaled @ coefficient
    spans = len(inner)
    # Model error is shared by neighbouring cells: their residuals count once per run of like signs,
    # not once each.
    effective = np.maximum(1.0, _correlation_length(residual))
    freedom = max(1, len(residual) - design.shape[1])
    scatter = residual * np.sqrt(effective)
    covariance = (scatter.T @ scatter / freedom) * (inverse @ inverse.T)[1, 1]
    share, whole = np.ones(spans + 1), np.zeros((spans + 1, spans + 1))
    share[:spans] = coefficient[1]
    whole[:spans, :spans] = covariance + GAIN_U**2 * inner @ inner.T
    return SlowShare(share, whole)


def _correlation_length(residual: Array) -> Array:
    """Variance inflation of a mean by lag-one correlation, per column of residuals (c, s)."""
    rho = [float(correlogram(column, 1)[0]) for column in residual.T]
    return np.array([inflation(float(np.clip(one, 0.0, MOST_UNDESCRIBED))) for one in rho])
