"""First-order low-pass filters of a whole record, reduced to log-time cells.

The filters are exact for power held between samples and a reference temperature linear across a
cell (`fit.signals.cells`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg.lapack import dtbtrs

from fit.records.run import Array
from fit.signals.cells import Cells


def _scan(decay: Array, *drives: Array) -> list[Array]:
    """States z[i + 1] = decay[i] z[i] + drive[i], z[0] = 0, along the first axis (c, K), per drive.

    One bidiagonal solve, the time constants' systems one after the other, for all drives at once.
    """
    cells, K = decay.shape
    states = np.zeros((len(drives), K, cells))
    if cells > 1:
        band = np.ones((K, cells - 1, 2))
        band[:, :-1, 1] = -decay[1:-1].T
        band[:, -1, 1] = 0.0
        right = np.empty((len(drives), K, cells - 1))
        for i, drive in enumerate(drives):
            right[i] = drive[:-1].T
        found = dtbtrs(band.reshape(-1, 2).T, right.reshape(len(drives), -1).T, uplo="L", diag="U")[
            0
        ]
        states[:, :, 1:] = found.T.reshape(right.shape)
    return [state.T for state in states]


@dataclass(frozen=True, eq=False)
class Filtered:
    """Cell means of filtered inputs and their derivatives by ln tau, each (c, K)."""

    power: Array  # L_k[P]
    reference: Array  # T_ref - L_k[T_ref]
    initial: Array  # exp(-(t - t_0) / tau_k)
    d_power: Array
    d_reference: Array
    d_initial: Array


class Filters:
    """The filters L_k of one record's cells, for any time constants."""

    def __init__(self, cells: Cells, reference_knots: Array | None) -> None:
        self.cells = cells
        n = np.maximum(cells.samples, 1).astype(float)[:, None]
        self._n, self._d = n, cells.spacing_s[:, None]
        self._h = cells.length_s[:, None]
        self._p = cells.power[:, None]
        self._age = (cells.start_s - cells.start_s[0])[:, None]
        self.has_reference = reference_knots is not None
        if reference_knots is not None:
            level = reference_knots - reference_knots[0]
            self.level = level[:-1]
            self._r = self.level[:, None]
            with np.errstate(divide="ignore", invalid="ignore"):
                slope = np.diff(level)[:, None] / self._h
            self._slope = np.where(self._h > 0, slope, 0.0)
            self.slope = self._slope[:, 0]

    def states(self, tau_s: Array) -> tuple[Array, Array]:
        """L_k[P] and L_k[T_ref] at the start of each cell, (c, K) each."""
        tau = np.asarray(tau_s)[None, :]
        decay = np.exp(-self._h / tau)
        held = self._p * (1 - decay)
        if not self.has_reference:
            return _scan(decay, held)[0], np.zeros_like(decay)
        drive = self._r * (1 - decay) + self._slope * (self._h - tau * (1 - decay))
        z, w = _scan(decay, held, drive)
        return z, w

    def __call__(self, tau_s: Array) -> Filtered:
        """Filter the inputs with tau_s (K,) [s]."""
        tau = np.asarray(tau_s)[None, :]
        ratio = self._h / tau
        decay = np.exp(-ratio)
        d_decay = ratio * decay
        x = self._d / tau
        one_less = -np.expm1(-x)
        whole_less = -np.expm1(-self._n * x)
        single = (self._n < 2) | (x < 1e-12)
        safe = np.where(single, 1.0, one_less)
        g = np.where(single, 1.0, whole_less / (self._n * safe))
        d_g = np.where(single, 0.0, x * ((1 - one_less) * g - (1 - whole_less)) / safe)
        p = self._p
        age = np.exp(-self._age / tau)
        held = p * (1 - decay)
        if not self.has_reference:
            z = _scan(decay, held)[0]
            dz = _scan(decay, d_decay * (z - p))[0]
            reference = d_reference = np.zeros_like(z)
        else:
            r, slope = self._r, self._slope
            ramp = slope * (self._h - tau * (1 - decay))
            z, w = _scan(decay, held, r * (1 - decay) + ramp)
            lead = w - r + slope * tau
            d_ramp = slope * tau * (1 - decay)
            dz, dw = _scan(decay, d_decay * (z - p), d_decay * lead - d_ramp)
            reference = slope * tau - lead * g
            d_reference = slope * tau - (dw + slope * tau) * g - lead * d_g
        return Filtered(
            power=p + (z - p) * g,
            reference=reference,
            initial=age * g,
            d_power=dz * g + (z - p) * d_g,
            d_reference=d_reference,
            d_initial=age * (d_g + (self._age / tau) * g),
        )
