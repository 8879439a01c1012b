"""Time-constant spectrum and cumulative R-C curve of the heated node.

The step response a(z) over z = ln t is a convolution, da/dz = R(z) * w(z) with
w(z) = exp(z - exp(z)); undoing it gives the spectrum R(z), its terms a Foster network, its ladder
the capacity met along the path against the resistance already passed. The procedure is that of
JESD51-14 (2010), from memory; the theory is Szekely's (1988).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fit.network.foster import foster_to_cauer

if TYPE_CHECKING:
    from fit.identification.response import Response

Array = NDArray[np.float64]

_SMALLEST_SHARE = 1e-9  # of the sum: below, a cell of the grid is rounding
_STEADY = 0.02  # relative scatter of a power that counts as one step
_FEWEST = 20  # readings after the step
_STILL = 0.1  # of the rise: a reference that warms by more is itself heated by the power


@dataclass(frozen=True, eq=False)
class Spectrum:
    """A time-constant spectrum on an even grid in ln tau."""

    tau_s: Array  # (n,) [s]
    R_K_per_W: Array  # (n,) resistance in each cell of the grid [K/W]

    @property
    def density_K_per_W(self) -> Array:
        """R(z), resistance per unit of ln tau (n,) [K/W]."""
        return self.R_K_per_W / np.gradient(np.log(self.tau_s))


@dataclass(frozen=True, eq=False)
class CumulativeCurve:
    """Capacity met against resistance passed on the way from the heated node to the reference.

    Point i is node i of the ladder. The curve ends at `total_K_per_W`, where the reference takes
    any amount of heat: there the capacity rises without end.
    """

    R_K_per_W: Array  # (n,) from the heated node, the first 0 [K/W]
    C_J_per_K: Array  # (n,) up to and with the node [J/K]
    total_K_per_W: float


def heated_impedance(response: Response) -> tuple[Array, Array] | None:
    """The heated node's rise per unit of power as it was read, after the first power step.

    The level before the step, and its time where no event states it, are the fit's.

    Args:
        response: as identified.

    Returns:
        Times after the step (n,) [s] and the rise (n,) [K/W]. None where no single step of steady
        power from rest was recorded over a decade of time, or the reference warms along.
    """
    signals, start_K = response.signals, response.start_K
    edges = signals.power_edges_s
    if not edges or signals.hot_start or not response.power or start_K is None:
        return None
    after = signals.t_s - (edges[0] + response.edge_shift_s)
    end_s = edges[1] - edges[0] if len(edges) > 1 else np.inf
    node = response.nodes.index(response.foster_node)
    rise_K = response.fitted_K[:, node] + response.residual_K[:, node]
    scan_s = float(np.median(np.diff(signals.t_s)))
    there = (after > 0.5 * scan_s) & (after < end_s) & np.isfinite(rise_K)
    power, before = signals.power[there], signals.power[signals.t_s < edges[0]]
    if there.sum() < _FEWEST or after[there][-1] < 10 * after[there][0]:
        return None
    level = float(power.mean())
    if power.std() > _STEADY * level or np.any(np.abs(before) > _STEADY * level):
        return None
    if response.reference:
        reference = signals.temperature_degC[there, signals.nodes.index(response.reference)]
        warmed_K = np.nanmean(reference[-_FEWEST:]) - np.nanmean(reference[:_FEWEST])
        if abs(warmed_K) > _STILL * abs(rise_K[there][-1]):
            return None
    return after[there], (rise_K[there] - start_K[node]) / level


def time_constant_spectrum(
    t_s: ArrayLike,
    impedance_K_per_W: ArrayLike,
    points_per_decade: int = 20,
    iterations: int = 2000,
    lag_s: Sequence[float] = (),
) -> Spectrum:
    """Spectrum of a step response, by Bayesian deconvolution (Richardson 1972, Kennett 1978).

    The response's increments over even cells of ln t are compared with those of every time constant
    on the grid, so that no derivative of noisy data is taken. The result cannot be negative. More
    iterations sharpen the peaks, and the noise; a single time constant always appears with a width.

    Args:
        t_s: times after the step (n,), ascending, positive [s].
        impedance_K_per_W: rise per watt (n,) [K/W].
        points_per_decade: cells per decade of time.
        iterations: how often the estimate is improved.
        lag_s: time constants of the sensor that read the response, undone along with the rest [s].

    Returns:
        The spectrum over the times given. Its sum is the resistance seen by the last of them, more
        where the record ends before the rise does.

    Raises:
        ValueError: times that are not positive and ascending, or that span less than a decade.
    """
    t, impedance = np.asarray(t_s, dtype=float), np.asarray(impedance_K_per_W, dtype=float)
    if t.ndim != 1 or t.shape != impedance.shape or t.size < 3:
        raise ValueError("a step response needs as many values as times, and three at least")
    if not ((t > 0).all() and (np.diff(t) > 0).all() and np.isfinite(impedance).all()):
        raise ValueError("the times must be positive and ascending, the response finite")
    edges = _grid(t, points_per_decade)
    observed = np.diff(_rising(_at_centres(np.log(t), impedance, edges)), prepend=0.0)
    centres = 0.5 * (edges[:-1] + edges[1:])
    kernel = np.diff(_seen_through(np.exp(centres), lag_s), axis=0, prepend=0.0)
    seen = kernel.sum(axis=0)
    R = np.full(centres.size, observed.sum() / centres.size)
    for _ in range(iterations):
        expected = kernel @ R
        ratio = np.divide(observed, expected, out=np.zeros_like(expected), where=expected > 0)
        R *= (kernel.T @ ratio) / seen
    return Spectrum(np.exp(centres), R)


def _seen_through(t: Array, lag_s: Sequence[float]) -> Array:
    """Step response of time constant t[k] at time t[i], read through lags (n, n).

    1 - Σ_p w_p exp(-t / p) over the poles p, w_p = Π_q p / (p - q) over all others.
    """
    poles = [t, *(np.full_like(t, lag) for lag in lag_s)]
    for later in range(1, len(poles)):
        for earlier in range(later):
            # Equal poles are separated by 2e-4: the response is continuous there.
            near = np.abs(poles[later] / poles[earlier] - 1) < 1e-4
            poles[later] = np.where(near, poles[later] * (1 + 2e-4), poles[later])
    response = np.ones((t.size, t.size))
    for p in poles:
        weight = np.prod([p / (p - q) for q in poles if q is not p], axis=0)
        response -= weight * np.exp(-t[:, np.newaxis] / p)
    return response


def cumulative_curve(R: ArrayLike, tau: ArrayLike) -> CumulativeCurve:
    """Cumulative R-C curve of a Foster network: the fitted one of the heated node, or a spectrum.

    A step up in capacity at little resistance is a block of metal; a flat stretch is a joint, a pad
    or the air. What is beyond the first few time constants' resolution is a picture, not a
    measurement.

    Args:
        R: Foster resistances (K,) [K/W]. Terms under a billionth of the sum are left out.
        tau: their time constants (K,) [s].

    Returns:
        The curve, at most K points.

    Raises:
        ValueError: a negative resistance: the node is not where the heat enters, or its sensor
            lags; or two equal time constants.

    >>> curve = cumulative_curve([1 / 2, 1 / 6], [1, 1 / 3])  # a ladder of 1/2, 1/6 K/W; 1, 4 J/K
    >>> curve.R_K_per_W.round(9).tolist(), curve.C_J_per_K.round(9).tolist()
    ([0.0, 0.5], [1.0, 5.0])
    """
    resistance = np.atleast_1d(np.asarray(R, dtype=float))
    kept = np.abs(resistance) > _SMALLEST_SHARE * np.abs(resistance).sum()
    steps, capacities = foster_to_cauer(resistance[kept], np.atleast_1d(tau)[kept])
    passed = np.concatenate([[0.0], np.cumsum(steps)])
    return CumulativeCurve(passed[:-1], np.cumsum(capacities), float(passed[-1]))


def _grid(t: Array, points_per_decade: int) -> Array:
    """Even edges in ln t; the centres of the outer cells are the first and the last time."""
    decades = np.log10(t[-1] / t[0])
    if decades < 1:
        raise ValueError(f"the times span {decades:.2g} decades; a spectrum needs 1 at least")
    cells = max(round(float(decades) * points_per_decade), 2) + 1
    half = 0.5 * np.log(t[-1] / t[0]) / (cells - 1)
    return np.linspace(np.log(t[0]) - half, np.log(t[-1]) + half, cells + 1)


def _at_centres(z: Array, values: Array, edges: Array) -> Array:
    """Response at the cells' centres, interpolated between the means of their readings."""
    centres = 0.5 * (edges[:-1] + edges[1:])
    cell = np.clip(np.searchsorted(edges, z, side="right") - 1, 0, centres.size - 1)
    count = np.bincount(cell, minlength=centres.size)
    mean_z = np.bincount(cell, z, centres.size) / np.maximum(count, 1)
    mean = np.bincount(cell, values, centres.size) / np.maximum(count, 1)
    held = count > 0
    return np.interp(centres, mean_z[held], mean[held])


def _rising(values: Array) -> Array:
    """The nearest non-decreasing response: that of a heated node never falls."""
    from scipy.optimize import isotonic_regression

    return np.maximum(isotonic_regression(values).x, 0.0)
