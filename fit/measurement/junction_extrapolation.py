"""A junction's voltage at the moment its heating was interrupted (JESD51-1, JESD51-14).

The first reading comes a time after the interruption, and the junction has cooled by then. While
the heat still leaves the die as if the die had no end, it cools by the square root of time (the
half space, H. S. Carslaw, J. C. Jaeger, Conduction of Heat in Solids, 2.9, from memory):

    V(t) = V(0) + b √t.

So a line in √t through each window's first readings, and a mean over many windows. A die has an
end: behind it the heat meets the solder, and the line bends. A cubic in √t through more of the
window follows the bend and scatters more; how far the two end apart is what the method leaves open.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.errors import NotIdentifiable
from fit.records.run import Array
from fit.signals.quantization import variance_of_sum
from fit.signals.scatter import quantum

# Readings of the line and of the cubic end at so many times the first one's age: of dies of 0.2-0.4
# mm on solder or glue, first reading at 0.1 and 0.2 ms, the line is then off by 0.2 ± 0.2 and 0.8 ±
# 1.2 %, which its distance to the cubic covers (parts of `tests.benchmarks.junctions`).
LINE_TO, CUBIC_TO = 5.0, 12.0
LEAST_READINGS = 6  # of a window: a cubic and a scatter
FEWEST_WINDOWS = 5  # of which a scatter can be told
MOST_WINDOWS = 60  # averaged: beyond, other uncertainties are larger (design, tried)
# First reading over the time constant: no later than TOO_LATE, and beyond LATE the error of the
# method is said (at 1/5 a single lump's line is off by a tenth, at 1/25 by a few per cent).
TOO_LATE, LATE = 1 / 5, 1 / 25
# No junction on its tab is slower than some 50 ms (power packages: 5-50 ms, common practice): later
# readings are no measurement whatever they look like. Meters integrate over 17 or 20 ms.
LATEST_S = 0.01


@dataclass(frozen=True, eq=False)
class Extrapolated:
    """Voltages at the moment of interruption, one a window."""

    volts: Array  # (w,) by the line [V]
    method_V: float  # line less cubic, mean of all windows [V]
    rounding_u_V: float  # of the mean: what the converter's steps leave in it [V]
    first_s: float  # age of the first reading [s]
    last_s: float  # age of the last [s]
    b_V_per_root_s: float  # mean slope of the lines


def extrapolate(windows: list[tuple[Array, Array]]) -> Extrapolated:
    """Voltage of each window at the moment its heating was interrupted.

    Args:
        windows: times since the interruption [s] and voltages [V] of each.

    Returns:
        One voltage a window, and what the method leaves open.

    Raises:
        NotIdentifiable: too few windows or readings, or the first one comes too late by any part.

    >>> age = np.linspace(1e-4, 5e-3, 50)
    >>> found = extrapolate([(age, 0.5 + 0.2 * np.sqrt(age))] * 5)
    >>> found.volts.round(6).tolist()
    [0.5, 0.5, 0.5, 0.5, 0.5]
    """
    windows = [one for one in windows if len(one[0]) >= LEAST_READINGS]
    if len(windows) < FEWEST_WINDOWS:
        raise NotIdentifiable(
            f"{len(windows)} windows of {LEAST_READINGS} readings or more while it was heated and "
            f"steady, where {FEWEST_WINDOWS} are needed: interrupt the heating every few seconds"
        )
    first_s = float(np.median([age[0] for age, _ in windows]))
    if first_s > LATEST_S:
        raise NotIdentifiable(
            f"its first reading comes {1e3 * first_s:.3g} ms after the interruption, and by then a "
            "junction is at its tab's temperature: such a meter calibrates and does not measure; "
            "read it within 0.2 ms"
        )
    volts, slopes, cubics, scatters = [], [], [], []
    for age, V in windows:
        level, slope, scatter = _polynomial(age, V, LINE_TO, 1)
        volts.append(level)
        slopes.append(slope)
        scatters.append(scatter)
        cubics.append(_polynomial(age, V, CUBIC_TO, 3)[0])
    line, cubic = np.array(volts), np.array(cubics)
    return Extrapolated(
        volts=line,
        method_V=float(np.mean(line - cubic)),
        rounding_u_V=_rounding_u_V(windows, float(np.median(scatters))),
        first_s=first_s,
        last_s=float(np.median([age[-1] for age, _ in windows])),
        b_V_per_root_s=float(np.mean(slopes)),
    )


def time_constant_s(mean: Array, above_K: float) -> float:
    """Time in which a junction falls to 1/e of what it was above its tab.

    Beyond the window by the power of time by which it fell at the window's end, between the half of
    a half space and the one of a lump.

    Args:
        mean: ages [s] and what the junction has fallen by then [K], (n, 2).
        above_K: at the moment of interruption [K].

    Returns:
        The time constant [s].

    >>> age = np.linspace(0.0, 0.005, 100)
    >>> round(time_constant_s(np.column_stack([age, 10 * -np.expm1(-age / 0.05)]), 10.0), 3)
    0.043
    """
    age, fallen = mean.T
    share = fallen / above_K
    wanted = -np.expm1(-1.0)
    reached = np.flatnonzero(share >= wanted)
    if len(reached):
        return float(age[reached[0]])
    half = float(np.interp(0.5 * age[-1], age, share))
    end = float(np.mean(share[-max(1, len(share) // 10) :]))
    if end <= 0 or half <= 0:
        return np.inf
    power = float(np.clip(np.log2(end / half), 0.5, 1.0))
    return float(age[-1] * (wanted / end) ** (1 / power))


def _powers(age: Array, to: float, degree: int) -> tuple[NDArray[np.bool_], Array, float]:
    """Which readings a polynomial in √t takes, its columns there, and the unit of √t in them."""
    used = age <= to * age[0]
    if np.count_nonzero(used) < LEAST_READINGS:
        used = np.arange(len(age)) < LEAST_READINGS
    x = np.sqrt(age[used])
    return used, np.vander(x / x[-1], degree + 1, increasing=True), float(x[-1])


def _polynomial(age: Array, V: Array, to: float, degree: int) -> tuple[float, float, float]:
    """Value and slope at √t = 0 of a polynomial in √t, and its readings' scatter about it."""
    used, columns, unit = _powers(age, to, degree)
    coefficient = np.linalg.lstsq(columns, V[used], rcond=None)[0]
    residual = V[used] - columns @ coefficient
    free = len(columns) - degree - 1
    return (
        float(coefficient[0]),
        float(coefficient[1] / unit),
        float(np.sqrt(residual @ residual / max(free, 1))),
    )


def _rounding_u_V(windows: list[tuple[Array, Array]], scatter_V: float) -> float:
    """What a converter's steps leave in the mean of the windows' lines [V].

    The mean is a weighted sum of all their first readings, whose levels the lines tell.
    """
    step = 1e-3 * quantum(1e3 * np.concatenate([V for _, V in windows]))
    if step <= 0:
        return 0.0
    noise = float(np.sqrt(max(scatter_V**2 - step**2 / 12, 0.0)))
    level, weight = [], []
    for age, V in windows:
        used, columns, _ = _powers(age, LINE_TO, 1)
        solved = np.linalg.pinv(columns)
        level.append(columns @ (solved @ V[used]))
        weight.append(solved[0] / len(windows))
    left = variance_of_sum(step, noise, np.concatenate(level), np.concatenate(weight))
    return float(np.sqrt(left))
