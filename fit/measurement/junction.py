"""The junction as one more measured node: its rise above the tab by its own forward voltage.

R_jt = (T_j − T_tab) / P over the last windows of heating. Between two windows the junction settles
a hundred times over, so that this is its steady state however slowly the tab still warms. P is what
heats this junction: of several sources its own. It is calibrated while that one is off, whatever
the others do.

Uncertainty (JCGM 100): scatter of the windows, calibration with silicon's curvature and the bead's
lag, the converter's rounding ("fit"); line less cubic ("discrepancy"); the tab's gain, which the
run's own cool-down leaves as a share of the small drop alone ("sensor_match"); the power ("power").
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.errors import NotIdentifiable
from fit.identification.autocorrelation import inflation, lag_one
from fit.measurement.junction_calibration import Calibration, calibrate, from_points
from fit.measurement.junction_extrapolation import (
    LATE,
    MOST_WINDOWS,
    TOO_LATE,
    Extrapolated,
    extrapolate,
    time_constant_s,
)
from fit.records.run import Array, Run
from fit.records.vf_windows import VfWindows
from fit.signals.preparation import POWER_ON, Signals

# The tab's scans to either side of a window: the tab moves ever more slowly after a step, so that a
# share of the time since then is short to it, and the noise of its slope is averaged. Ours.
BESIDE_S, BESIDE_SHARE, BESIDE_MOST_S = 5.0, 0.25, 60.0
SETTLED_S = 30.0  # after a step of the power: ten times a bead's longest lag
LEAST_SCANS = 5  # for a parabola with a scatter


@dataclass(frozen=True, eq=False)
class Junction:
    """What the forward voltage told of a junction."""

    node: str
    tab: str  # the node under it, whose thermocouple calibrates it
    R_K_per_W: float  # per watt of the recorded power; of several sources per watt on the path
    covariance: Mapping[str, float]  # name -> variance [(K/W)^2]
    with_tab: float  # covariance of R by the tab's gain with the spans that begin there [(K/W)^2]
    above_K: float  # junction less tab at the end of heating [K]
    method_K: float  # line less cubic [K]
    windows: int  # averaged
    first_s: float  # age of the first reading [s]
    tau_s: float  # to 1/e [s]
    calibration: Calibration
    sources: tuple[int, ...] = ()  # which of several sources heat it

    @property
    def u_K_per_W(self) -> float:
        """Standard uncertainty of the resistance [K/W]."""
        return float(np.sqrt(sum(self.covariance.values())))

    @property
    def is_late(self) -> bool:
        """Whether the first reading came so late that the method's error is to be said."""
        return self.first_s > LATE * self.tau_s


def measure_junction(run: Run, signals: Signals, tab: str | None = None) -> Junction | None:
    """The junction's rise above the node under it, per watt.

    Args:
        run: with its windows.
        signals: prepared from it, their power that which heats the junction.
        tab: the node under it; the first measured one when None.

    Returns:
        None where the run has no windows.

    Raises:
        NotIdentifiable: the windows do not carry it; says why.
    """
    windows = run.vf_windows
    if windows is None:
        return None
    tab = tab or next(node for node in run.nodes if node != "ambient")
    if tab not in signals.nodes:
        raise NotIdentifiable(f"the thermocouple of '{tab}' under it is not believed")
    beside = _beside(windows, signals, tab)
    each, hot = list(windows), _last_heating(beside.heated)
    if not len(hot):
        raise NotIdentifiable(
            f"none of its {len(each)} windows lies where it was heated, with the power steady and "
            f"'{tab}' read around it: read it while its own source is on"
        )
    found = extrapolate([each[i] for i in hot])
    calibration = _calibrated(run, signals, windows, beside, tab)
    seen = (found.volts, beside.tab_degC[hot], beside.tab_slope[hot])
    above_K, power = calibration.above_K(*seen), beside.power[hot]
    mean_K, watts = float(above_K.mean()), float(power.mean())
    if mean_K <= 0:
        raise NotIdentifiable(
            f"it reads {-mean_K:.2g} K colder than '{tab}' while it is heated: is it the part that "
            "is heated, and the thermocouple on its tab?"
        )
    tau_s = time_constant_s(_mean_course([each[i] for i in hot], found, calibration), mean_K)
    if found.first_s > TOO_LATE * tau_s:
        raise NotIdentifiable(
            f"its first reading comes {1e3 * found.first_s:.2g} ms after the interruption, when a "
            f"junction of {1e3 * tau_s:.2g} ms has cooled too far to tell what it was: read it "
            f"within {1e3 * LATE * tau_s:.1g} ms; what it gives now is a calibration alone"
        )
    R = above_K / power
    moved = calibration.sensitivity(*seen)
    per_kelvin = 1 / (1e-3 * calibration.K_mV_per_K * watts)
    method = found.method_V * per_kelvin
    gain = run.metadata.match_u.get(tab, 0.0)
    column = signals.temperature_degC[:, signals.nodes.index(tab)]
    tab_rise = float(np.nanmax(column) - np.nanmin(column)) / watts
    # Its own cool-down gives the junction the tab's gain, stated points do not.
    by_gain = float(R.mean()) if calibration.of_its_own else -tab_rise
    return Junction(
        node=windows.node,
        tab=tab,
        R_K_per_W=float(R.mean()),
        covariance={
            "fit": _variance_of_mean(R)
            + float(moved @ calibration.covariance @ moved) / watts**2
            + (found.rounding_u_V * per_kelvin) ** 2,
            "discrepancy": method**2,
            "sensor_match": (gain * by_gain) ** 2,
            "power": (run.metadata.power_u * float(R.mean())) ** 2,
        },
        with_tab=gain**2 * by_gain * tab_rise,
        above_K=mean_K,
        method_K=method * watts,
        windows=len(hot),
        first_s=found.first_s,
        tau_s=tau_s,
        calibration=calibration,
    )


@dataclass(frozen=True, eq=False)
class _Beside:
    """Of every window (w,): the tab's reading and slope, and the power, from the scans around."""

    tab_degC: Array
    tab_slope: Array  # [K/s]
    power: Array
    heated: Array  # 1 heated, 0 not, NaN where the power changed or scans are missing


def _beside(windows: VfWindows, signals: Signals, tab: str) -> _Beside:
    """A parabola through the tab's scans on both sides of each window: value and slope there.

    A window without scans on both sides is not used; none of them stands in for a missing one.
    """
    t_s, column = signals.t_s, signals.temperature_degC[:, signals.nodes.index(tab)]
    on = signals.power > POWER_ON * signals.power.max()
    rows = np.full((len(windows.opened_s), 4), np.nan)
    least_s = max(BESIDE_S, LEAST_SCANS / 2 * float(np.median(np.diff(t_s))))
    steps = np.array([t_s[0], *signals.power_edges_s, t_s[-1]])
    for row, opened in zip(rows, windows.opened_s, strict=True):
        after = int(np.searchsorted(steps[1:-1], opened))
        since_s, left_s = opened - steps[after], steps[after + 1] - opened
        half_s = max(least_s, min(BESIDE_SHARE * since_s, BESIDE_MOST_S, left_s))
        first, end = np.searchsorted(t_s, [opened - half_s, opened + half_s])
        age, degC = t_s[first:end] - opened, column[first:end]
        read = np.isfinite(degC)
        both = np.any(age[read] < 0) and np.any(age[read] > 0)
        state = on[first:end]
        if not both or np.count_nonzero(read) < LEAST_SCANS or state.any() != state.all():
            continue
        columns = np.vander(age[read] / half_s, 3, increasing=True)
        value, slope, _ = np.linalg.lstsq(columns, degC[read], rcond=None)[0]
        power = float(signals.power[first:end].mean())
        row[:] = value, slope / half_s, power, float(state.all())
    return _Beside(*rows.T)


def _last_heating(heated: Array) -> NDArray[np.intp]:
    """The last windows of the last heating, `MOST_WINDOWS` at most."""
    hot = np.flatnonzero(heated == 1)
    if not len(hot):
        return hot
    cold = np.flatnonzero(heated == 0)
    before = cold[cold < hot[-1]]
    begun = before[-1] if len(before) else -1
    return hot[hot > begun][-MOST_WINDOWS:]


def _calibrated(
    run: Run, signals: Signals, windows: VfWindows, beside: _Beside, tab: str
) -> Calibration:
    """By stated points with the soak, else by all windows without heating."""
    cold = np.flatnonzero((beside.heated == 0) & _settled(windows.opened_s, signals.power_edges_s))
    points, lag = run.metadata.vf_points, signals.lags.get(tab)
    if points:
        begun = signals.power_edges_s[0] if signals.power_edges_s else np.inf
        cold = cold[windows.opened_s[cold] < begun]
    each = list(windows)
    volts = np.array([float(each[i][1].mean()) for i in cold])
    if points:
        return from_points(points, volts, beside.tab_degC[cold], lag)
    return calibrate(volts, beside.tab_degC[cold], beside.tab_slope[cold], lag)


def _settled(opened_s: Array, edges_s: tuple[float, ...]) -> NDArray[np.bool_]:
    """Whether the last step of the power lies `SETTLED_S` back (w,)."""
    since = [opened_s - edge for edge in edges_s]
    return np.all([(age < 0) | (age > SETTLED_S) for age in since] or [opened_s > -np.inf], axis=0)


def _mean_course(
    windows: list[tuple[Array, Array]], found: Extrapolated, calibration: Calibration
) -> Array:
    """Ages [s] and what the junction has fallen by then [K], mean of windows read at like ages."""
    like = [(age, V - V0) for (age, V), V0 in zip(windows, found.volts, strict=True)]
    age = like[-1][0]
    risen = [np.interp(age, other, V) for other, V in like]
    return np.column_stack([age, np.mean(risen, axis=0) / (1e-3 * calibration.K_mV_per_K)])


def _variance_of_mean(values: Array) -> float:
    """Of a series whose neighbours may be alike; each window looks at its neighbours' scans too."""
    apart = values - values.mean()
    rho = lag_one(apart[:, np.newaxis])
    return float(values.var(ddof=1) / len(values)) * inflation(rho)
