"""Filtered inputs for any time constant, interpolated between time constants filtered once."""

from __future__ import annotations

import numpy as np

from fit.filters import Filtered, Filters
from fit.record import Array

SPACING = 0.2  # of ln tau: cubic interpolation then errs by some 1e-5 of an input


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
        rest = 1 - s
        weights = np.empty((len(s), 2, 4))
        weights[:, 0, 0] = (1 + 2 * s) * rest**2
        weights[:, 0, 1] = s * rest**2
        weights[:, 0, 2] = s**2 * (3 - 2 * s)
        weights[:, 0, 3] = -(s**2) * rest
        weights[:, 1, 0] = -6 * s * rest / SPACING
        weights[:, 1, 1] = rest * (1 - 3 * s) / SPACING
        weights[:, 1, 2] = -weights[:, 1, 0]
        weights[:, 1, 3] = s * (3 * s - 2) / SPACING
        c = self._cells
        found = np.empty((len(s), 2, 3 * c))
        for k, i in enumerate(left):
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
