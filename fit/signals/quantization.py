"""Readings rounded to steps: how noisy they were before, and what averaging cannot take out.

The rounding error is a periodic function of temperature; noise and the temperature's own sweep
damp its harmonics (Widrow & Kollár, Quantization Noise, ch. 4, 6).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from fit.records.run import Array
from fit.signals.cells import Index

NEIGHBOURS = 5  # scans to either side
LONGEST_LOOK = 20_000  # scans looked at


def stuck_variance(step_K: float, noise_K: float, sweep_K: Array, phase: Index) -> Array:
    """Variance of cell means that rounding leaves after averaging.

    Cells of a phase whose level stays within a step share one error: it counts for each in full.

    Args:
        step_K: step of the readings [K].
        noise_K: standard deviation of the noise before rounding [K].
        sweep_K: change of temperature across each cell (c,) [K].
        phase: number of its phase (c,).

    Returns:
        The variance (c,) [K^2].
    """
    if step_K <= 0:
        return np.zeros_like(sweep_K)
    order = np.arange(1, 6)[:, None]
    damping = np.exp(-4 * np.pi**2 * order**2 * (noise_K / step_K) ** 2)
    amplitude = (step_K / (np.pi * order)) ** 2 / 2
    alone = np.sum(amplitude * damping * np.sinc(order * np.abs(sweep_K) / step_K) ** 2, axis=0)
    sharing = 0.5 * step_K / np.maximum(np.abs(sweep_K), 1e-9)
    return np.asarray(alone * np.clip(sharing, 1.0, np.bincount(phase)[phase]))


def noise_before_rounding(values: Array, step_K: float) -> float:
    """Standard deviation of the scan-to-scan noise of a rounded series before rounding.

    From how often the readings flicker up and down again, which a slow sweep over the steps does
    not make them do: -2 E[d_i d_i+1] of neighbouring differences d is E[d^2] without the sweep.

    Args:
        values: readings (n,), NaN where missing [K].
        step_K: to which they are rounded [K].

    Returns:
        The standard deviation [K]; 0 where the readings do not flicker, or are too few.
    """
    values = values[np.isfinite(values)]
    blocks = max(1, len(values) // LONGEST_LOOK)
    if blocks > 1:
        values = values[: blocks * LONGEST_LOOK].reshape(-1, LONGEST_LOOK // 10)[::blocks].ravel()
    if len(values) < 4 * NEIGHBOURS:
        return 0.0
    change = np.diff(values)
    flicker = -2 * change[NEIGHBOURS - 1 : -NEIGHBOURS] * change[NEIGHBOURS : -NEIGHBOURS + 1]
    around = np.abs(values[2 * NEIGHBOURS :] - values[: -2 * NEIGHBOURS])
    slow = around <= 3 * step_K
    if not slow.any():
        return 0.0
    share, expected = _flicker()
    found = float(np.mean(flicker[slow])) / step_K**2
    return step_K * float(np.interp(found, expected, share))


@lru_cache(maxsize=1)
def _flicker() -> tuple[Array, Array]:
    """Noise in steps, and E[d^2] in steps^2 of two readings at a level anywhere in its step.

    For a difference of k + f steps before rounding, it is k^2 (1 - f) + (k + 1)^2 f.
    """
    share = np.concatenate(([0.0], np.geomspace(1e-3, 30.0, 200)))
    normal = (np.arange(4000) + 0.5) / 4000 * 10 - 5
    density = np.exp(-0.5 * normal**2)
    density /= density.sum()
    apart = np.abs(np.sqrt(2) * share[:, None] * normal)
    whole = np.floor(apart)
    return share, (whole**2 + (2 * whole + 1) * (apart - whole)) @ density
