"""Readings rounded to steps: how noisy they were before, and what averaging cannot take out.

The rounding error is a periodic function of temperature; noise and the temperature's own sweep
damp its harmonics (Widrow & Kollár, Quantization Noise, ch. 4, 6).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from fit.records.run import Array
from fit.signals.cells import Index
from fit.signals.scatter import (
    VARIANCE_SECOND_DIFFERENCES,
    noise_without_spikes,
    sampled,
    second_differences,
)

NEIGHBOURS = 5  # scans to either side
# Steps that a level may bend by within them and count as straight: what is left of that in a second
# difference is a twentieth of a step. Ours.
STRAIGHT = 3.0
# Of a step: with more noise than that the rounding error is white noise (its first harmonic is
# damped to a ten-thousandth), whatever the level does.
HALF = 0.5
BATCHES = 20  # of a series, from whose means the scatter of the whole is told: to a sixth. Ours


@dataclass(frozen=True)
class ScanNoise:
    """White noise from scan to scan, before rounding, and how well its size is known."""

    sd_K: float
    variance_u: float  # relative standard uncertainty of the variance, rounding included


def _harmonics(step_K: float, noise_K: float) -> Array:
    """Mean squares (5,) of the rounding error's harmonics at a level that stays [K^2]."""
    order = np.arange(1, 6)
    damping = np.exp(-4 * np.pi**2 * order**2 * (noise_K / step_K) ** 2)
    return np.asarray((step_K / (np.pi * order)) ** 2 / 2 * damping)


def white_variance(step_K: float, noise_K: float) -> float:
    """Variance of single readings that averaging does take out.

    Noise and rounding error together have noise² + step²/12; `swept_variance` is the other part.

    Args:
        step_K: step of the readings, 0 where they are not rounded [K].
        noise_K: standard deviation of the noise before rounding [K].

    Returns:
        The variance [K^2].

    >>> round(white_variance(1.0, 0.5), 4), round(1 / 12 + 0.25, 4)
    (0.3333, 0.3333)
    """
    if step_K <= 0:
        return noise_K**2
    return noise_K**2 + step_K**2 / 12 - float(_harmonics(step_K, noise_K).sum())


def swept_variance(step_K: float, noise_K: float, sweep_K: Array) -> Array:
    """Variance of the means of many readings each that rounding leaves.

    Args:
        step_K: step of the readings, above zero [K].
        noise_K: standard deviation of the noise before rounding [K].
        sweep_K: change of temperature across each mean (c,) [K].

    Returns:
        The variance (c,) [K^2].
    """
    order = np.arange(1, 6)[:, None]
    swept = np.sinc(order * np.abs(sweep_K) / step_K) ** 2
    return np.asarray(_harmonics(step_K, noise_K) @ swept)


def sharing(step_K: float, sweep_K: Array, phase: Index) -> Array:
    """How many cells share one error: those of a phase whose level stays within a step.

    Such an error counts for each in full.

    Args:
        step_K: step of the readings [K].
        sweep_K: change of temperature across each cell (c,) [K].
        phase: number of its phase (c,).

    Returns:
        From 1 to all cells of the phase (c,).
    """
    shared = 0.5 * step_K / np.maximum(np.abs(sweep_K), 1e-9)
    return np.asarray(np.clip(shared, 1.0, np.bincount(phase)[phase]))


def variance_of_sum(step: float, noise: float, value: Array, weight: Array) -> float:
    """Variance of a weighted sum of readings that rounding leaves.

    Readings whose levels lie a whole number of steps apart err alike, others cancel.

    Args:
        step: step of the readings, above zero [unit of the readings].
        noise: standard deviation of the noise before rounding [same unit].
        value: level of every reading before noise and rounding (n,) [same unit].
        weight: of each reading in the sum (n,).

    Returns:
        The variance [that unit squared].

    >>> round(variance_of_sum(1.0, 0.0, np.array([0.2, 3.2]), np.array([0.5, 0.5])), 3)
    0.074
    """
    order = np.arange(1, 6)[:, None]
    turned = np.exp(2j * np.pi * order * value / step) @ weight
    return float(_harmonics(step, noise) @ np.abs(turned) ** 2)


def scan_noise(values: Array, step_K: float = 0.0) -> ScanNoise:
    """Scan-to-scan noise of a series before its rounding, its trend removed.

    From second differences. Where the noise spans half a step the rounding error is white noise of
    variance step²/12; below that their mean square is compared with what noise makes of readings at
    a level anywhere in its step.

    Args:
        values: readings (n,), NaN where missing [K].
        step_K: to which they are rounded, 0 where they are not [K].

    Returns:
        The noise; 0 where the readings do not change, or are too few.
    """
    values = sampled(values[np.isfinite(values)])
    whole = noise_without_spikes(values)
    known = float(np.sqrt(VARIANCE_SECOND_DIFFERENCES / max(len(values), 1)))
    if step_K <= 0:
        return ScanNoise(whole, known)
    if whole**2 >= step_K**2 * (HALF**2 + 1 / 12):
        return ScanNoise(float(np.sqrt(whole**2 - step_K**2 / 12)), known)
    far = 2 * NEIGHBOURS
    before, here, after = values[:-far], values[NEIGHBOURS:-NEIGHBOURS], values[far:]
    straight = np.abs(after - 2 * here + before) <= STRAIGHT * step_K
    bend = second_differences(values)[NEIGHBOURS - 1 : 1 - NEIGHBOURS][straight]
    if len(bend) < BATCHES:
        return ScanNoise(0.0, 1.0)
    # In steps², as mean squares of neighbouring differences: second differences' are 3/4 of it.
    square = (bend / step_K) ** 2 / 0.75
    means = [batch.mean() for batch in np.array_split(square, BATCHES)]
    found, error = float(square.mean()), float(np.std(means, ddof=1) / np.sqrt(BATCHES))
    share, expected = _rounded()
    low, noise, high = np.interp([found - error, found, found + error], expected, share)
    variance_u = 0.5 * (high**2 - low**2) / (noise**2 + 1 / 12)
    return ScanNoise(step_K * float(noise), float(variance_u))


@lru_cache(maxsize=1)
def _rounded() -> tuple[Array, Array]:
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
