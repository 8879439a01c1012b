"""A junction as a thermometer: its forward voltage against temperature (JESD51-1).

At a constant current a silicon junction's forward voltage falls with temperature by some 2 mV/K,
and by a little more the hotter it is (S. M. Sze, Physics of Semiconductor Devices, from memory):

    V(T) = V_r − K (T − T_r) − n (k/q) (T ln(T/T_r) − (T − T_r)),
    d²V/dT² = −n k/(q T),    n = 3 ± 1.

While a product cools without power, the junction is as warm as the tab under it: there V and the
tab's own thermocouple give V_r and K, and what the thermocouple reads wrong in proportion cancels
in T_j − T_tab. A bead that lags by L reads T_tab − L dT/dt, dT/dt as it reads it; L is fitted
beside them. The drop itself lies above the temperatures of the cool-down, where n is known only
beforehand: it is fitted with its prior, and what it leaves open is part of the covariance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.errors import NotIdentifiable
from fit.identification.autocorrelation import inflation, lag_one
from fit.records.run import Array

BOLTZMANN_V_PER_K = 8.617333262e-5  # k/q, CODATA 2018
ZERO_degC_K = 273.15  # by definition
# Silicon's: 4 less the exponent by which mobility falls with temperature, 0-2 (Sze, from memory).
CURVATURE, CURVATURE_U = 3.0, 1.0
# A bead's lag is anything up to 3 s (common practice), rectangular (JCGM 101, 6.4.2) [s].
BEAD_LAG = 1.5, 3.0 / np.sqrt(12)
LEAST_SPAN_K = 5.0  # of temperatures: a slope over less is told by nothing but offsets. Ours
LEAST_WINDOWS = 8  # for four unknowns, with a scatter to speak of
SLOPES_V_PER_K = (0.5e-3, 10e-3)  # a diode has 1.2 to 2.5 mV/K, four of them in series 10
POINTS_U_K = 0.5  # of a stated point: an oven with its own thermometer (common practice)
LEVEL, SLOPE, BEND, LAG = range(4)
"""Unknowns: V_r, K, n, and K L."""


@dataclass(frozen=True, eq=False)
class Calibration:
    """Forward voltage against temperature, with the lag of the thermocouple it was held against."""

    reference_K: float  # T_r, absolute
    unknown: Array  # (4,) V_r [V], K [V/K], n, K L [V s/K]
    covariance: Array  # (4, 4)
    scatter_K: float  # of a window about it
    of_its_own: bool = True  # by the run's own cool-down, no stated points

    @property
    def K_mV_per_K(self) -> float:
        """Fall of the voltage per kelvin, at the middle of the calibration [mV/K]."""
        return 1e3 * float(self.unknown[SLOPE])

    @property
    def K_u_mV_per_K(self) -> float:
        """Its standard uncertainty [mV/K]."""
        return 1e3 * float(np.sqrt(self.covariance[SLOPE, SLOPE]))

    def above_K(self, volts: Array, tab_degC: Array, tab_slope: Array) -> Array:
        """How much warmer the junction is than the tab.

        Args:
            volts: forward voltage (w,) [V].
            tab_degC: the tab's reading (w,) [degC].
            tab_slope: its change with time (w,) [K/s].

        Returns:
            Junction less tab (w,) [K].
        """
        return _above_K(self.unknown, self.reference_K, volts, (tab_degC, tab_slope))

    def sensitivity(self, volts: Array, tab_degC: Array, tab_slope: Array) -> Array:
        """How the mean of `above_K` moves with each of the unknowns (4,).

        Args:
            volts: forward voltage (w,) [V].
            tab_degC: the tab's reading (w,) [degC].
            tab_slope: its change with time (w,) [K/s].

        Returns:
            Change of the mean per unit of each [K per V, K per V/K, K, K per V s/K].
        """
        step = np.sqrt(np.diag(self.covariance))
        step = np.where(step > 0, step, 1e-9)
        moved = []
        for one in np.diag(step):
            up, down = (
                _above_K(self.unknown + sign * one, self.reference_K, volts, (tab_degC, tab_slope))
                for sign in (1, -1)
            )
            moved.append(0.5 * float(np.mean(up - down)))
        return np.array(moved) / step


def calibrate(
    volts: Array, tab_degC: Array, tab_slope: Array, lag_s: tuple[float, float] | None = None
) -> Calibration:
    """Calibrate a junction by windows without heating against the tab's thermocouple.

    Args:
        volts: forward voltage of each window (w,) [V].
        tab_degC: reading of the tab at it (w,) [degC].
        tab_slope: its change with time (w,) [K/s].
        lag_s: of the tab's bead with its standard uncertainty, where it is known [s].

    Returns:
        The calibration, with the lag that was fitted beside it.

    Raises:
        NotIdentifiable: too few windows, or too small a range of temperatures.

    >>> T = np.linspace(80.0, 25.0, 50)
    >>> found = calibrate(0.5 - 2e-3 * (T - 50.0), T, np.zeros(50))
    >>> round(found.K_mV_per_K, 2)
    2.0
    """
    span_K = float(np.ptp(tab_degC)) if len(tab_degC) else 0.0
    if len(volts) < LEAST_WINDOWS or span_K < LEAST_SPAN_K:
        raise NotIdentifiable(
            f"{len(volts)} windows without heating over {span_K:.0f} K do not calibrate it: record "
            f"the cool-down (cool_s) of a warm product, {LEAST_SPAN_K:g} K or more of it, or state "
            "points_degC_V of the channel"
        )
    columns, middle_K = _design(tab_degC, tab_slope)
    return _solved(columns, volts, middle_K, lag_s or BEAD_LAG)


def from_points(
    points: tuple[tuple[float, float], ...],
    volts: Array,
    tab_degC: Array,
    lag_s: tuple[float, float] | None = None,
) -> Calibration:
    """The calibration through stated points, its level by the windows of the soak.

    Args:
        points: temperatures [degC] and forward voltages [V], of the same part at the same current.
        volts: forward voltage of each window in the soak (w,) [V].
        tab_degC: reading of the tab at it (w,) [degC].
        lag_s: of the tab's bead with its standard uncertainty, where it is known [s].

    Returns:
        The calibration, its slope the points', its level the soak's.

    Raises:
        NotIdentifiable: the points do not make a slope, or there is no soak.
    """
    degC, V = np.array(points).T
    if not len(volts) or np.ptp(degC) < LEAST_SPAN_K:
        raise NotIdentifiable(
            f"points over {np.ptp(degC):.0f} K and {len(volts)} windows in the soak do not "
            f"calibrate it: state points {LEAST_SPAN_K:g} K apart or more, and record a soak"
        )
    columns, middle_K = _design(degC, np.zeros_like(degC))
    stated = _solved(columns, V, middle_K, lag_s or BEAD_LAG, POINTS_U_K)
    # Its own level: the points' thermometer is not the tab's.
    level, slope, bend, _ = stated.unknown
    soak = tab_degC + ZERO_degC_K
    missed_V = volts - (level - slope * (soak - middle_K) - bend * bend_V(soak, middle_K))
    unknown, covariance = stated.unknown.copy(), stated.covariance.copy()
    unknown[LEVEL] += float(missed_V.mean())
    # The level is held where the soak is: what turns the slope turns it about that point.
    soak_K = float(soak.mean())
    turn = np.eye(4)
    turn[LEVEL, :LAG] = 0.0, soak_K - middle_K, float(bend_V(np.array(soak_K), middle_K))
    covariance = turn @ covariance @ turn.T
    covariance[LEVEL, LEVEL] += float(missed_V.var()) / len(missed_V)
    return Calibration(
        middle_K, unknown, covariance, float(missed_V.std() / slope), of_its_own=False
    )


def _design(degC: Array, slope_K_per_s: Array) -> tuple[Array, float]:
    """What each unknown adds to the voltages (w, 4), and the reference temperature [K]."""
    T = degC + ZERO_degC_K
    middle = float(0.5 * (T.min() + T.max()))
    columns = (np.ones_like(T), middle - T, -bend_V(T, middle), -slope_K_per_s)
    return np.column_stack(columns), middle


def _solved(
    columns: Array,
    volts: Array,
    reference_K: float,
    lag_s: tuple[float, float],
    u_K: float | None = None,
) -> Calibration:
    """Least squares with priors of the curvature and the lag; u_K of a row, by scatter where None.

    The lag's prior is one of K L: K is taken from a straight line first.
    """
    K = float(np.linalg.lstsq(columns[:, :2], volts, rcond=None)[0][1])
    if not SLOPES_V_PER_K[0] <= K <= SLOPES_V_PER_K[1]:
        raise NotIdentifiable(
            f"its voltage falls by {1e3 * K:.3g} mV/K where a junction's falls by about 2: is the "
            "sense current constant, and the voltage in volts?"
        )
    prior: Array = np.array([0.0, 0.0, CURVATURE, K * lag_s[0]])
    known: Array = np.array([0.0, 0.0, 1 / CURVATURE_U, 1 / (K * max(lag_s[1], 1e-6))])
    sigma = u_K * K if u_K is not None else K * 0.1  # a start: a tenth of a kelvin, then as found
    rho = 0.0
    for _ in range(4):
        rows = np.vstack([columns / sigma, np.diag(known)[2:]])
        target = np.concatenate([volts / sigma, (known * prior)[2:]])
        unknown = np.linalg.lstsq(rows, target, rcond=None)[0]
        residual = volts - columns @ unknown
        if u_K is None:
            scatter = float(np.sqrt(residual @ residual / max(len(volts) - 3, 1)))
            rho = lag_one(residual[:, np.newaxis])
            # Neighbours look at the same scans of the tab: they count once together.
            sigma = max(scatter, 1e-7) * np.sqrt(inflation(rho))
    covariance = np.linalg.inv(rows.T @ rows)
    return Calibration(
        reference_K, np.asarray(unknown), np.asarray(covariance), float(residual.std() / K)
    )


def _above_K(
    unknown: Array, reference_K: float, volts: Array, tab: tuple[Array, Array]
) -> NDArray[np.float64]:
    """Junction less tab [K]: Newton's method on V(T), which is all but straight."""
    level, slope, bend, lag = unknown
    T = reference_K + (level - volts) / slope
    for _ in range(3):
        missed = level - slope * (T - reference_K) - bend * bend_V(T, reference_K) - volts
        T = T + missed / (slope + bend * BOLTZMANN_V_PER_K * np.log(T / reference_K))
    tab_degC, tab_slope = tab
    return np.asarray(T - ZERO_degC_K - tab_degC - lag / slope * tab_slope)


def bend_V(T: Array, reference_K: float) -> NDArray[np.float64]:
    """How far silicon's voltage falls below the straight line through T_r, for n = 1.

    Args:
        T: absolute temperature (n,) [K].
        reference_K: T_r [K].

    Returns:
        The fall (n,) [V].
    """
    return np.asarray(BOLTZMANN_V_PER_K * (T * np.log(T / reference_K) - (T - reference_K)))
