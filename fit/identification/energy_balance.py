"""Case to ambient by energy balance: what went in, what is stored, what left.

    ∫P dt = Σ_i C_i (T_i(t) − T_i(0)) + g ∫(T_case − T_ambient)^(1+n) dt

The case loses heat by natural convection and radiation: more than in proportion to its rise,
with n between 0 and 0.3 (n = 1/4 is laminar natural convection; Incropera, ch. 9, from
memory). The heat capacities and g are found by non-negative least squares; the resistance is
that of the steady state at the recorded power. So an unsettled record is extrapolated by
physics and not by a linear model, and a record too short to show any loss gives a wide answer
and not a wrong one.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from fit.identification.autocorrelation import MOST_UNDESCRIBED, inflation, lag_one
from fit.notation import digits
from fit.records.run import Array
from fit.signals.cells import Cells, average, cut
from fit.signals.preparation import Signals

Mask = NDArray[np.bool_]
EXPONENTS = (0.0, 0.15, 0.3)  # from loss in proportion to the turbulent limit, nearly: a grid. Ours
# Unmeasured walls, screws and fillings warm behind the case: a sensor near the joint
# rises fast, then slows as heat spreads, and that is no loss. From seconds to most of an hour,
# each four times or so the one before: sums of such lags look like any between. Ours.
HIDDEN_LAGS_S = (15.0, 60.0, 250.0, 1000.0, 3000.0)
LEAST_OF_REACHED = 0.97  # the end state is no lower than what the record shows, but for drift. Ours
LARGEST_K_PER_W = 100.0  # 10 cm² at 10 W/(m² K), common practice; or 3 times what was shown
# Given, with itself as standard uncertainty, where the record shows no loss: half of the largest.
UNKNOWN_K_PER_W = 50.0
# Of the most likely resistance: the largest is inside its interval of 95 %, whose ends have
# exp(-1.96²/2). The record then bounds the loss on one side alone, and the mean is the range's.
OPEN = 0.147
# Of the case's rise, from the middle to the end of heating: less may be heat that still spreads in
# the case. Ours.
LEAST_SLOWING = 0.08
LEAST_CELLS = 8  # of heating: two slopes need four each
GRID = 24  # loss coefficients tried, and again as many about the best: finer than their doubt. Ours
UNKNOWN_OFFSET_U_K = 0.87  # thermocouples of class 1, +-1.5 K (IEC 60584-1, from memory)
ROUNDING = 0.3  # standard uncertainty of a reading, in its steps: 1/√12 (JCGM 100, 4.3.7)
SETTLED_WITHIN = 0.02  # of the rise: as of a time constant, `identify.SETTLED_SHARE`
MODEL_SHARE = 0.01  # of the loss: what one exponent and lumps leave out. Ours


@dataclass(frozen=True)
class CaseToAmbient:
    """The last span."""

    R_K_per_W: float
    fit_variance: float  # [(K/W)^2] noise, exponent, a loss that changed during the run
    offset_variance: float  # [(K/W)^2] of the zero-power offsets
    reached_K_per_W: float = np.nan  # what the readings had come to; NaN where no loss was seen

    @property
    def to_come(self) -> float:
        """Share of the settled rise that heating did not reach; NaN where no loss was seen."""
        return 1 - self.reached_K_per_W / self.R_K_per_W

    @property
    def settled(self) -> bool:
        """Whether the readings had come to what the balance says they would come to."""
        return abs(self.to_come) < SETTLED_WITHIN

    @property
    def outlook(self) -> str:
        """How far heating went, in words; other than the slopes by which a bench ends it."""
        if np.isnan(self.to_come):
            return "the case had not settled when heating ended, and nothing shows where it would"
        share = f"{digits(100 * abs(self.to_come), 2)} %"
        if self.to_come < 0:
            return f"by its heat balance the case would settle {share} below what heating reached"
        return f"by its heat balance the case had {share} of its rise to come when heating ended"


@dataclass(frozen=True, eq=False)
class EnergyBalance:
    """The terms of the energy balance at the middle of each cell."""

    energy: Array  # (c,) [J]
    rises: Array  # (c, nodes) of every node since the start [K]
    case_K: Array  # (c,) above ambient
    middle_s: Array
    heating: Mask  # (c,) of the last heating phase
    after_edge: Mask  # (c,) whether the power has been on


def energy_balance(signals: Signals, case: str, power: float) -> EnergyBalance:
    """The terms of a record's energy balance; power [W] of heating says which cells are heated."""
    starts = np.array(signals.phase_starts)
    edge_s = np.full(len(starts), np.nan)
    known = np.array(signals.edge_known)
    edge_s[1:] = np.where(known[1:], signals.power_edges_s, np.nan)
    cells: Cells = cut(signals.t_s, signals.power, starts, edge_s, signals.soak_samples > 0)
    mean, _ = average(cells, signals.temperature_degC)
    seen = np.isfinite(mean).all(axis=1)
    ambient = signals.nodes.index("ambient")
    others = [j for j in range(len(signals.nodes)) if j != ambient]
    before = np.concatenate(([0.0], np.cumsum(cells.power * cells.length_s)[:-1]))
    energy = before + cells.power * (cells.middle_s - cells.start_s)
    case_K = mean[:, signals.nodes.index(case)] - mean[:, ambient]
    start = np.flatnonzero(seen & (cells.first < signals.soak_samples))
    if not len(start):
        start = np.flatnonzero(seen)[:1]
    if len(start) and not signals.hot_start:
        case_K = case_K - case_K[start].mean()
    rises = mean[:, others] - (mean[start][:, others].mean(axis=0) if len(start) else 0.0)
    on = np.abs(cells.power) > 0.5 * abs(power)
    last = int(np.flatnonzero(on)[-1])
    off_before = np.flatnonzero(~on[: last + 1])
    heating = np.zeros(len(on), dtype=bool)
    heating[(int(off_before[-1]) + 1 if len(off_before) else 0) : last + 1] = True
    after = np.cumsum(on) > 0
    return EnergyBalance(
        energy[seen], rises[seen], case_K[seen], cells.middle_s[seen], heating[seen], after[seen]
    )


def integral(values: Array, t_s: Array) -> Array:
    """Trapezoids from the start to each time (c,)."""
    steps = 0.5 * (values[1:] + values[:-1]) * np.diff(t_s)
    return np.concatenate(([0.0], np.cumsum(steps)))


@dataclass(frozen=True, eq=False)
class Profile:
    """How well each loss coefficient describes the balance, everything else at its best."""

    g: Array  # (k,) [W/K^(1+n)]
    squares: Array  # (k,) sum of squared residuals [J^2]
    free: float  # effective degrees of freedom of the best
    late: float  # what the second half of heating adds to the best g: a draught, say
    hidden: int  # unmeasured lumps that the best fit needs


def _profile(balance: EnergyBalance, exponent: float, most: float, hidden: bool) -> Profile:
    """Profile of the loss coefficient between 0 and `most`.

    The storage is left to the record: every measured node's, and, if hidden, a spectrum of lags
    behind the case, none negative.
    """
    rise = balance.case_K
    loss = integral(np.sign(rise) * np.abs(rise) ** (1 + exponent), balance.middle_s)
    step = balance.after_edge.astype(float)
    lagging = [_lagged(balance, lag_s) for lag_s in HIDDEN_LAGS_S if hidden]
    design = np.column_stack((balance.rises, *lagging, step, -step))
    scale = np.maximum(np.abs(design).max(axis=0), 1e-12)
    scaled = design / scale
    # Squared residuals for any right-hand side need the small triangle alone.
    Q, triangle = np.linalg.qr(scaled)
    inside_energy, inside_loss = Q.T @ balance.energy, Q.T @ loss
    outside_energy, outside_loss = balance.energy - Q @ inside_energy, loss - Q @ inside_loss

    def squares(g: float) -> tuple[float, Array]:
        coefficient, norm = nnls(triangle, inside_energy - g * inside_loss)
        rest = outside_energy - g * outside_loss
        return float(norm**2 + rest @ rest), coefficient / scale

    coarse = np.linspace(0.0, most, GRID)
    values = np.array([squares(g)[0] for g in coarse])
    middle, reach = coarse[int(values.argmin())], 1.5 * coarse[1]
    fine = np.linspace(max(middle - reach, 0.0), min(middle + reach, most), GRID)
    g = np.concatenate((coarse, fine))
    values = np.concatenate((values, [squares(one)[0] for one in fine]))
    best = float(g[int(values.argmin())])
    coefficient = squares(best)[1]
    residual = balance.energy - best * loss - design @ coefficient
    rho = lag_one(residual[:, None], MOST_UNDESCRIBED)
    # Half: cells are correlated beyond lag one (`tests.benchmarks.random_rigs`, seeds 7000-7059).
    free = 0.5 * max(len(residual) - design.shape[1], 1) / inflation(rho)
    order = np.argsort(g)
    heating = np.flatnonzero(balance.heating)
    late = heating[balance.middle_s[heating] > np.mean(balance.middle_s[heating][[0, -1]])]
    change = 0.0
    if len(late) >= 8:
        left = balance.energy[late] - design[late] @ coefficient
        line = np.column_stack((loss[late], np.ones(len(late))))
        change = float(np.linalg.lstsq(line, left, rcond=None)[0][0]) - best
    lumps = int(np.sum(coefficient[balance.rises.shape[1] : -2] > 0))
    return Profile(g[order], values[order], float(free), change, lumps)


def _lagged(balance: EnergyBalance, lag_s: float) -> Array:
    """What a lump has warmed by that follows the case with a lag [s] (c,) [K]."""
    rise, step = balance.case_K, np.diff(balance.middle_s, prepend=balance.middle_s[0])
    state, values = 0.0, np.empty_like(rise)
    for i, decay in enumerate(np.exp(-step / lag_s)):
        state = decay * state + (1 - decay) * 0.5 * (rise[max(i - 1, 0)] + rise[i])
        values[i] = state
    return values


def _slowing(balance: EnergyBalance, step_K: float) -> float:
    """By what share the case's rise has slowed between the middle and the end of heating, at least.

    Two standard uncertainties below the estimate; while it is small nothing is known of the loss.
    step_K: of the readings; a rise of a few steps has slopes that are rounding's own.
    """
    heating = np.flatnonzero(balance.heating)
    t_s, rise = balance.middle_s[heating], balance.case_K[heating]
    age = (t_s - t_s[0]) / max(float(np.ptp(t_s)), 1e-9)
    slopes = []
    for low, high in ((0.25, 0.5), (0.75, 1.0)):
        window = (age >= low) & (age <= high)
        if window.sum() < 4:
            return 0.0
        (slope, _), covariance = np.polyfit(t_s[window], rise[window], 1, cov=True)
        rounding = ROUNDING * step_K / float(np.ptp(t_s[window]))
        slopes.append((float(slope), float(np.hypot(np.sqrt(covariance[0, 0]), rounding))))
    (early, early_u), (late, late_u) = slopes
    length = float(np.ptp(t_s))
    if max(abs(early), early_u) * length < 0.1 * rise[-1]:
        return 1.0  # no longer rising by the middle: settled
    if early <= 3 * early_u:
        return 0.0
    return 1 - late / early - 2 * float(np.hypot(late_u, late / early * early_u)) / early


def _shares(balance: EnergyBalance, R: Array, power: float) -> Array:
    """How likely each resistance R (k,) [K/W] is, over the exponents and the loss's profiles."""
    profiles = []
    for exponent, hidden in itertools.product(EXPONENTS, (False, True)):
        at_R = power**-exponent * R ** -(1 + exponent)
        profiles.append((at_R, _profile(balance, exponent, float(at_R.max()), hidden)))
    least = max(min(float(profile.squares.min()) for _, profile in profiles), 1e-300)
    share = np.zeros_like(R)
    for at_R, profile in profiles:
        exceeds = profile.free * (profile.squares / least - 1)
        # A hidden lump is penalised as a further parameter (Schwarz 1978).
        exceeds += profile.hidden * np.log(max(profile.free, 1.0))
        likelihood = np.exp(-0.5 * np.minimum(exceeds, 700.0)) * np.gradient(profile.g)
        # A change in the second half (a draught) holds at the end; half of it is uncertainty.
        width = np.hypot(MODEL_SHARE * profile.g.max(), 0.5 * profile.late)
        width = np.hypot(width, np.gradient(profile.g))
        apart = (at_R[:, None] - profile.g - profile.late) / width
        density = np.exp(-0.5 * apart**2) / width @ likelihood
        # Prior uniform in ln R, not in g: a loss is as likely large as small.
        share += density * at_R
    return share


def case_to_ambient(signals: Signals, case: str, power: float) -> CaseToAmbient:
    """Resistance from the case to ambient at the recorded power [power unit]."""
    balance = energy_balance(signals, case, power)
    unknown = CaseToAmbient(UNKNOWN_K_PER_W, UNKNOWN_K_PER_W**2, 0.0)
    if np.count_nonzero(balance.heating) < LEAST_CELLS:
        return unknown
    columns = [signals.nodes.index(case), signals.nodes.index("ambient")]
    steps = np.zeros(2) if signals.quantum_K is None else signals.quantum_K[columns]
    if _slowing(balance, float(np.hypot(*steps))) < LEAST_SLOWING:
        return unknown
    late = np.flatnonzero(balance.heating)
    late = late[
        balance.middle_s[late] >= balance.middle_s[late[-1]] - 0.05 * np.ptp(balance.middle_s[late])
    ]
    reached = float(np.mean(balance.case_K[late])) / power
    R = np.geomspace(max(LEAST_OF_REACHED * reached, 0.02), max(LARGEST_K_PER_W, 3 * reached), 1500)
    share = _shares(balance, R, abs(power))
    if share[-1] > OPEN * share.max():
        return unknown
    share /= max(share.sum(), 1e-300)
    mean = float(np.sum(share * R)) if share.any() else LARGEST_K_PER_W / 2
    spread = float(np.sum(share * (R - mean) ** 2)) if share.any() else mean**2
    offset_u = signals.zero_power_offset_u_K[columns]
    if signals.hot_start:
        offset_u = np.full(2, UNKNOWN_OFFSET_U_K)
    offset = float(np.nansum(offset_u**2)) / power**2
    return CaseToAmbient(
        R_K_per_W=mean,
        fit_variance=spread,
        offset_variance=offset,
        reached_K_per_W=reached,
    )
