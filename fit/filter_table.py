"""Filtered inputs for any time constant, interpolated between time constants filtered once."""

from __future__ import annotations

import numpy as np

from fit.filters import Filtered, Filters
from fit.record import Array

SPACING = 0.2  # of ln tau: cubic interpolation then errs by some 1e-5 of an input
# Weights of value, slope, next value and next slope, as polynomials of the place s between two
# points of the grid: rows 1, s, s^2, s^3; the interpolated value's four, then its derivative's.
HERMITE = np.array(
    [
        [1.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0],
        [0.0, 1.0, 0.0, 0.0, -6.0, -4.0, 6.0, -2.0],
        [-3.0, -2.0, 3.0, -1.0, 6.0, 3.0, -6.0, 3.0],
        [2.0, 1.0, -2.0, 1.0, 0.0, 0.0, 0.0, 0.0],
    ]
)
HERMITE[:, 4:] /= SPACING


class FilterTable:
    """The filters of a record on a grid of ln tau, with cubic Hermite interpolation between.

    A search over time constants then costs no pass over the record's cells. filters: of the
    record. shortest_s, longest_s: time constants it must reach [s].
    """

    def __init__(self, filters: Filters, shortest_s: float, longest_s: float) -> None:
        self._low = float(np.log(shortest_s))
        count = int(np.ceil((np.log(longest_s) - self._low) / SPACING)) + 2
        self.ln_tau = self._low + SPACING * np.arange(count)
        at = filters(np.exp(self.ln_tau))
        values = [at.power.T, at.reference.T, at.initial.T]
        slopes = [at.d_power.T, at.d_reference.T, at.d_initial.T]
        self._cells = at.power.shape[0]
        self._table = np.empty((count, 2, 3 * self._cells))
        self._table[:, 0], self._table[:, 1] = np.hstack(values), np.hstack(slopes)
        self._table[:, 1] *= SPACING

    def column(self, kind: int) -> Array:
        """One filtered input at every time constant of the grid (c, G): 0 power, 1 reference."""
        return self._table[:, 0, kind * self._cells : (kind + 1) * self._cells].T

    def __call__(self, tau_s: Array) -> Filtered:
        """What `Filters` gives for tau_s (K,) [s], all within the table's range."""
        place = (np.log(tau_s) - self._low) / SPACING
        left = np.clip(place.astype(int), 0, len(self.ln_tau) - 2)
        s = place - left
        powers = np.empty((len(s), 4))
        powers[:, 0], powers[:, 1] = 1.0, s
        powers[:, 2] = s * s
        powers[:, 3] = powers[:, 2] * s
        weights = (powers @ HERMITE).reshape(-1, 2, 4)
        c = self._cells
        found = np.empty((len(s), 2, 3 * c))
        for k, i in enumerate(left.tolist()):
            np.matmul(weights[k], self._table[i : i + 2].reshape(4, -1), out=found[k])
        value, slope = found[:, 0], found[:, 1]
        return Filtered(
            power=value[:, :c].T,
            reference=value[:, c : 2 * c].T,
            initial=value[:, 2 * c :].T,
            d_power=slope[:, :c].T,
            d_reference=slope[:, c : 2 * c].T,
            d_initial=slope[:, 2 * c :].T,
        )
