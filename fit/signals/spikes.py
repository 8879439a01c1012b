"""Isolated outliers of a temperature and of the power."""

from __future__ import annotations

import numpy as np

from fit.records.run import Array
from fit.signals.cells import Index
from fit.signals.scatter import noise

# Standard deviations of the second difference under noise: normal noise exceeds it once in 1e18
# readings; a lost bit or mains pick-up amounts to kelvins.
SPIKE_SCALES = 9.0
SPIKE_OF_POWER = 0.05  # of the power around: as much as makes a step, see `edges`
MOST_POWER_SPIKES = 0.05  # of the scans: more often it is how the supply works
BLOCK = 16_384  # samples per block, sized for the processor's cache


def _bends_beyond(values: Array, limit: float) -> Index:
    """Indices where |x[i] - (x[i-1] + x[i+1]) / 2| is beyond the limit, a block at a time."""
    found = [np.array([], dtype=np.intp)]
    for begin in range(0, len(values) - 2, BLOCK):
        part = values[begin : begin + BLOCK + 2]
        slope = part[1:] - part[:-1]
        twice = slope[1:] - slope[:-1]
        # Rare: most blocks have no second difference as large and no missing reading.
        if not (twice.max() <= 2 * limit and twice.min() >= -2 * limit):
            found.append(np.flatnonzero(np.abs(twice) > 2 * limit) + begin + 1)
    return np.concatenate(found)


def _row_medians(values: Array) -> Array:
    """Median of each row (k,) of values (k, n), missing ones left out."""
    ranked = np.sort(values, axis=1)
    count, row = np.isfinite(values).sum(axis=1), np.arange(len(values))
    return 0.5 * (ranked[row, (count - 1) // 2] + ranked[row, count // 2])


def spikes(values: Array, step: float, noise_K: float | None = None) -> Index:
    """Isolated outliers: readings far from both neighbours.

    Args:
        values: the series (n,), NaN where missing [K].
        step: of the readings, 0 where they are not quantised [K].
        noise_K: scan-to-scan, standard deviation; estimated from the series when None [K].

    Returns:
        Their indices (k,).
    """
    if len(values) < 5:
        return np.array([], dtype=np.intp)
    noise_K = noise(values) if noise_K is None else noise_K
    scale = max(noise_K * np.sqrt(1.5), 0.4 * step, 1e-9)
    suspects = _bends_beyond(values, 0.6 * SPIKE_SCALES * scale)
    if not 0 < len(suspects) <= 0.05 * len(values):
        return np.array([], dtype=np.intp)
    suspects = np.unique(np.clip(np.concatenate((suspects - 1, suspects, suspects + 1)), 0, None))
    suspects = suspects[suspects < len(values)]
    # At the ends the window is moved inwards, so that a first or last reading can be judged too.
    window = np.clip(suspects[:, None] + np.arange(-3, 4), 0, len(values) - 1)
    around = values[window]
    middle = _row_medians(around)
    spread = _row_medians(np.abs(around - middle[:, None]))
    limit = SPIKE_SCALES * scale + 6 * spread
    return suspects[np.abs(values[suspects] - middle) > limit]


def _power_spikes(power: Array) -> Index:
    """Indices of single samples whose power differs from two equal neighbours.

    A real change of power for one scan would add negligible heat.
    """
    before, here, after = power[:-2], power[1:-1], power[2:]
    apart = np.minimum(np.abs(here - before), np.abs(here - after))
    level = np.maximum(np.abs(before), np.abs(after))
    alone = apart > np.maximum(10 * np.abs(after - before), SPIKE_OF_POWER * level)
    return np.flatnonzero(alone & (level > 0)) + 1


def power_without_spikes(t_s: Array, power: Array) -> tuple[Array, list[str]]:
    """The power with isolated outliers replaced by the reading before.

    Args:
        t_s: times (n,) [s].
        power: (n,) [power unit].

    Returns:
        The power (n,), and a sentence on what was replaced, if anything.
    """
    found = _power_spikes(power)
    if not 0 < len(found) <= MOST_POWER_SPIKES * len(power):
        return power, []
    power = power.copy()
    said = ", ".join(f"{power[i]:.4g} at {t_s[i]:g} s" for i in found[:3])
    power[found] = power[found - 1]
    more = ", ..." if len(found) > 3 else ""
    plural = "s" if len(found) > 1 else ""
    return power, [f"{len(found)} spike{plural} of the power: {said}{more}; the one before held"]
