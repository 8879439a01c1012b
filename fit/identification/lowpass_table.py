"""Filtered inputs for any time constant, interpolated between time constants filtered once."""

from __future__ import annotations

from collections.abc import Sequence

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


class InputTable:
    """Inputs of a record filtered on a grid of ln tau, with cubic Hermite interpolation between.

    Args:
        ln_tau: the grid (G,), even.
        pairs: each input (c, G), and its derivative by ln tau.
    """

    def __init__(self, ln_tau: Array, pairs: Sequence[tuple[Array, Array]]) -> None:
        self.ln_tau, self.spacing = ln_tau, float(ln_tau[1] - ln_tau[0])
        self.kinds, self.cells = len(pairs), pairs[0][0].shape[0]
        # Of every point of the grid the value and the slope, each of all the inputs.
        table = np.empty((len(ln_tau), 2, self.kinds, self.cells))
        for kind, (value, slope) in enumerate(pairs):
            table[:, 0, kind] = value.T
            np.multiply(slope.T, self.spacing, out=table[:, 1, kind])
        self.rows = table.reshape(2 * len(ln_tau), -1)

    def reaches(self, tau_s: Array) -> bool:
        """Whether tau_s (K,) [s] are all within the table's range."""
        ln_tau = np.log(tau_s)
        return bool(ln_tau.min() >= self.ln_tau[0] and ln_tau.max() <= self.ln_tau[-1])

    def __call__(self, tau_s: Array) -> Array:
        """Every input and its derivative at tau_s (K,) [s], all in range: (2, kinds, c, K)."""
        place = (np.log(tau_s) - self.ln_tau[0]) / self.spacing
        left = np.minimum(np.maximum(place.astype(int), 0), len(self.ln_tau) - 2)
        s = place - left
        square = s * s
        powers = np.stack((np.ones(len(s)), s, square, square * s), axis=1)
        weights = (powers @ HERMITE).reshape(-1, 2, 4)
        weights[:, 1] /= self.spacing
        found = np.empty((len(s), 2, self.rows.shape[1]))
        for k, i in enumerate(left.tolist()):
            np.dot(weights[k], self.rows[2 * i : 2 * i + 4], out=found[k])
        return found.reshape(len(s), 2, self.kinds, self.cells).transpose(1, 2, 3, 0)


def even_grid(shortest_s: float, longest_s: float, spacing: float = SPACING) -> Array:
    """ln tau (G,) from the shortest time constant [s], evenly, to beyond the longest."""
    low = float(np.log(shortest_s))
    count = int(np.ceil((np.log(longest_s) - low) / spacing)) + 2
    return np.asarray(low + spacing * np.arange(count), dtype=np.float64)


class FilterTable:
    """The filters of a record, interpolated.

    A search over time constants then costs no pass over the record's cells. filters: of the
    record. shortest_s, longest_s: time constants it must reach [s].
    """

    def __init__(self, filters: Filters, shortest_s: float, longest_s: float) -> None:
        self.ln_tau = even_grid(shortest_s, longest_s)
        at = filters(np.exp(self.ln_tau))
        pairs = ((at.power, at.d_power), (at.reference, at.d_reference), (at.initial, at.d_initial))
        self._inputs = InputTable(self.ln_tau, pairs)

    def reaches(self, tau_s: Array) -> bool:
        """Whether tau_s (K,) [s] are all within the table's range."""
        return self._inputs.reaches(tau_s)

    def column(self, kind: int) -> Array:
        """One filtered input at every time constant of the grid (c, G): 0 power, 1 reference."""
        cells = self._inputs.cells
        return self._inputs.rows[::2, kind * cells : (kind + 1) * cells].T

    def __call__(self, tau_s: Array) -> Filtered:
        """What `Filters` gives for tau_s (K,) [s], all within the table's range."""
        (power, reference, initial), (d_power, d_reference, d_initial) = self._inputs(tau_s)
        return Filtered(power, reference, initial, d_power, d_reference, d_initial)
