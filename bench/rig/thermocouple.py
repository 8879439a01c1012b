"""Thermocouple voltages and temperatures by the functions of IEC 60584-1 (ITS-90).

The functions come from thermocouple-its90; whole columns are interpolated on a grid made from them
(0.5 K apart: within 0.0005 K of the functions). Cold junctions are added as voltages, never as
temperatures.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from thermocouple_its90 import get

Array = NDArray[np.float64]
GRID_K = 0.5


def voltage_uV(thermocouple: str, temperature_degC: ArrayLike) -> Array:
    """Voltage against a junction at 0 degC.

    Args:
        thermocouple: type letter.
        temperature_degC: any shape [degC].

    Returns:
        Same shape [uV]; NaN outside the type's range.

    >>> round(float(voltage_uV("K", 42.0)), 1)
    1693.8
    """
    grid_degC, grid_uV = _grid(thermocouple)
    wanted = np.asarray(temperature_degC, dtype=float)
    return np.asarray(np.interp(wanted, grid_degC, grid_uV, left=np.nan, right=np.nan))


def temperature_degC(
    thermocouple: str, measured_uV: ArrayLike, cold_junction_degC: ArrayLike = 0.0
) -> Array:
    """Temperature of the hot junction: E(T) = V + E(T_cold).

    Args:
        thermocouple: type letter.
        measured_uV: as measured, any shape [uV].
        cold_junction_degC: where the thermocouple wires end, same shape or one value [degC].

    Returns:
        Same shape [degC]; NaN outside the type's range.

    >>> round(float(temperature_degC("K", 1000.0, 23.0)), 3)
    47.482
    """
    grid_degC, grid_uV = _grid(thermocouple)
    rising = _rising_from(thermocouple)
    total_uV = np.asarray(measured_uV, dtype=float) + voltage_uV(thermocouple, cold_junction_degC)
    return np.asarray(
        np.interp(total_uV, grid_uV[rising:], grid_degC[rising:], left=np.nan, right=np.nan)
    )


def undo_constant_slope_degC(
    thermocouple: str,
    reported_degC: ArrayLike,
    cold_junction_degC: ArrayLike,
    slope_uV_per_K: float = 41.276,
) -> Array:
    """True temperature behind a converter chip that takes the thermocouple for a straight line.

    The chip reports T_cold + V / slope; its V is recovered and put through the reference function.

    Args:
        thermocouple: type letter.
        reported_degC: what the chip reports, any shape [degC].
        cold_junction_degC: the chip's own temperature, same shape or one value [degC].
        slope_uV_per_K: the slope the chip assumes [uV/K].

    Returns:
        Same shape [degC].
    """
    cold = np.asarray(cold_junction_degC, dtype=float)
    measured_uV = (np.asarray(reported_degC, dtype=float) - cold) * slope_uV_per_K
    return temperature_degC(thermocouple, measured_uV, cold)


@lru_cache
def _grid(thermocouple: str) -> tuple[Array, Array]:
    """Temperatures [degC] and their voltages [uV] over the type's whole range."""
    function = get(thermocouple)
    low, high = function.range
    grid_degC = np.append(np.arange(low, high, GRID_K), high)
    return grid_degC, 1000.0 * np.array([function.emf(float(t)) for t in grid_degC])


@lru_cache
def _rising_from(thermocouple: str) -> int:
    """First grid point from which the voltage only rises, so that it tells the temperature."""
    falling = np.flatnonzero(np.diff(_grid(thermocouple)[1]) <= 0)
    return int(falling[-1]) + 1 if falling.size else 0
