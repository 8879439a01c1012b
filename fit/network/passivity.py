"""From the network fitted to one that could be built: no sensor lag, no negative terms.

A heated node's Foster network has positive terms only. A fitted one may have others: its sensor
lags, and a case that sheds heat better as it warms leaves a small negative term beside a large one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fit.network.foster import step_response

Array = NDArray[np.float64]

_PER_DECADE = 24  # 10 % apart, where a fit resolves time constants a factor of 2 apart
_TIMES = 240  # at which step responses are compared: two or three for each of the grid's
_TOTAL_WEIGHT = 1e3  # against 1 of each time: the total is kept, and then scaled to exactly itself
_SMALLEST_SHARE = 1e-6  # of the total: below, a term is the rounding of the least squares


@dataclass(frozen=True, eq=False)
class Passive:
    """A Foster network of positive terms, and its deviation from the one fitted."""

    R_K_per_W: Array  # (K,) [K/W]
    tau_s: Array  # (K,), ascending [s]
    lag_s: tuple[float, ...]  # time constants of the sensor that were taken out [s]
    deviation: float  # of the step response without lag, largest, relative to the total
    absorbed_s: tuple[float, ...] = ()  # time constants of the other negative terms [s]

    @property
    def taken_out(self) -> tuple[str, ...]:
        """In words, how this network differs from the one fitted; none where it is the same."""
        said = [f"the sensor's lag of {lag_s:.3g} s is taken out" for lag_s in self.lag_s]
        if self.absorbed_s:
            terms = " and ".join(f"{tau_s:.3g} s" for tau_s in self.absorbed_s)
            said.append(
                f"a negative term at {terms}, as of a case that sheds heat better as it warms, is "
                f"absorbed: the step response differs by {100 * self.deviation:.1f} % of the total "
                "at most"
            )
        return tuple(said)


def sensor_lag(R: ArrayLike, tau: ArrayLike) -> Array:
    """Time constants of a heated node's sensor: negative terms faster than any positive one.

    Args:
        R: Foster resistances (K,) of the node where the heat enters [K/W].
        tau: their time constants (K,) [s].

    Returns:
        The lags, none for a sensor fast enough [s].

    >>> sensor_lag([-0.2, 5.0], [2.0, 60.0]).tolist()
    [2.0]
    """
    amplitude, terms = np.atleast_1d(np.asarray(R, float)), np.atleast_1d(np.asarray(tau, float))
    if not (amplitude > 0).any():
        return np.array([])
    return terms[(amplitude < 0) & (terms < terms[amplitude > 0].min())]


def without_lag(R: ArrayLike, tau: ArrayLike, lag_s: ArrayLike) -> tuple[Array, Array]:
    """The network behind a lagging sensor.

    A lag divides by 1 + s tau_s, so that R_k reads R_k / (1 - tau_s / tau_k) and a term of tau_s
    appears. Both are undone; the terms left are scaled to the total, which no lag changes.

    Args:
        R: amplitudes (..., K), one row per node [K/W].
        tau: time constants (K,), those of the lag among them [s].
        lag_s: time constants of the sensor [s].

    Returns:
        Amplitudes (..., K - lags) [K/W] and time constants (K - lags,) [s].

    A node of 5 K/W and 60 s read through a sensor of 2 s shows 5 / (1 - 2/60) at 60 s:

    >>> R, tau_s = without_lag([150 / 29, -5 / 29], [60.0, 2.0], [2.0])
    >>> R.round(9).tolist(), tau_s.tolist()
    ([5.0], [60.0])
    """
    rows, terms = np.asarray(R, float), np.asarray(tau, float)
    lags = np.atleast_1d(np.asarray(lag_s, float))
    kept = ~np.isin(terms, lags)
    own = rows[..., kept] * np.prod(1 - lags[:, np.newaxis] / terms[kept], axis=0)
    total, left = rows.sum(axis=-1, keepdims=True), own.sum(axis=-1, keepdims=True)
    return own * np.divide(total, left, out=np.ones_like(left), where=left * total > 0), terms[kept]


def nearest_passive(R: ArrayLike, tau: ArrayLike) -> Passive:
    """The Foster network of positive terms nearest to a fitted one, of the same total.

    The sensor's lag is taken out. If negative terms are left, the nearest step response without
    any is found by non-negative least squares (Lawson & Hanson 1974) over a dense grid of time
    constants; neighbouring terms of the grid are merged, and the amplitudes are solved once more.

    Args:
        R: Foster resistances (K,), of any sign, with a positive sum [K/W].
        tau: their time constants (K,) [s].

    Returns:
        The network of positive terms, and how it differs from the one fitted.

    Raises:
        ValueError: a sum that is not positive.

    >>> passive = nearest_passive([150 / 29, -5 / 29], [60.0, 2.0])
    >>> passive.R_K_per_W.round(9).tolist(), passive.lag_s
    ([5.0], (2.0,))
    """
    total = float(np.sum(R))
    if not total > 0:
        raise ValueError(f"the resistances add up to {total:g}; a heated node's to more than 0")
    lag_s = sensor_lag(R, tau)
    amplitude, terms = without_lag(R, tau, lag_s)
    lags = tuple(lag_s.tolist())
    if (amplitude > 0).all():
        order = np.argsort(terms)
        return Passive(amplitude[order], terms[order], lags, 0.0)
    t_s = np.geomspace(terms.min() / 10, terms.max() * 10, _TIMES)
    wanted = step_response(amplitude, terms, t_s)
    decades = np.log10(terms.max() / terms.min()) + 1
    grid = np.geomspace(terms.min() / 3, terms.max() * 3, int(decades * _PER_DECADE) + 1)
    clusters = _clusters(_solve(grid, t_s, wanted, total), grid)
    sizes = _solve(clusters, t_s, wanted, total)
    kept = sizes > _SMALLEST_SHARE * total
    found, found_tau = sizes[kept] * (total / sizes[kept].sum()), clusters[kept]
    off = np.abs(step_response(found, found_tau, t_s) - wanted)
    absorbed_s = tuple(terms[amplitude < 0].tolist())
    return Passive(found, found_tau, lags, float(off.max() / total), absorbed_s)


def _solve(tau: Array, t_s: Array, wanted: Array, total: float) -> Array:
    """Non-negative sizes (K,) of given time constants, their sum held to the total."""
    from scipy.optimize import nnls

    unit = step_response(np.eye(len(tau)), tau, t_s).T
    rows = np.vstack([unit, np.full(len(tau), _TOTAL_WEIGHT)])
    return np.asarray(nnls(rows, np.append(wanted, _TOTAL_WEIGHT * total))[0])


def _clusters(sizes: Array, grid: Array) -> Array:
    """One time constant for each run of neighbours on the grid: their weighted geometric mean."""
    present = sizes > _SMALLEST_SHARE * sizes.sum()
    label = np.cumsum(np.diff(present.astype(int), prepend=0) == 1)
    return np.array(
        [
            np.exp(np.average(np.log(grid[members]), weights=sizes[members]))
            for members in (present & (label == k) for k in range(1, label.max() + 1))
        ]
    )
