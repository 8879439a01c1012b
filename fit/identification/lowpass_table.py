"""Filtered inputs for any time constant, interpolated between time constants filtered once."""

from __future__ import annotations

import numpy as np

from fit.identification.lowpass import Filtered, Filters
from fit.records.run import Array

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
        self._cells = at.power.shape[0]
        pairs = ((at.power, at.d_power), (at.reference, at.d_reference), (at.initial, at.d_initial))
        # Of every point of the grid the value and the slope, each of the three filtered inputs.
        table = np.empty((count, 2, 3, self._cells))
        for kind, (value, slope) in enumerate(pairs):
            table[:, 0, kind] = value.T
            np.multiply(slope.T, SPACING, out=table[:, 1, kind])
        self._table = table.reshape(2 * count, -1)

    def reaches(self, tau_s: Array) -> bool:
        """Whether tau_s (K,) [s] are all within the table's range."""
        ln_tau = np.log(tau_s)
        return bool(ln_tau.min() >= self._low and ln_tau.max() <= self.ln_tau[-1])

    def column(self, kind: int) -> Array:
        """One filtered input at every time constant of the grid (c, G): 0 power, 1 reference."""
        return self._table[::2, kind * self._cells : (kind + 1) * self._cells].T

    def __call__(self, tau_s: Array) -> Filtered:
        """What `Filters` gives for tau_s (K,) [s], all within the table's range."""
        place = (np.log(tau_s) - self._low) / SPACING
        left = np.minimum(np.maximum(place.astype(int), 0), len(self.ln_tau) - 2)
        s = place - left
        square = s * s
        powers = np.stack((np.ones(len(s)), s, square, square * s), axis=1)
        weights = (powers @ HERMITE).reshape(-1, 2, 4)
        found = np.empty((len(s), 2, self._table.shape[1]))
        for k, i in enumerate(left.tolist()):
            np.dot(weights[k], self._table[2 * i : 2 * i + 4], out=found[k])
        kinds = found.reshape(len(s), 2, 3, -1).transpose(1, 2, 3, 0)
        (power, reference, initial), (d_power, d_reference, d_initial) = kinds
        return Filtered(power, reference, initial, d_power, d_reference, d_initial)
