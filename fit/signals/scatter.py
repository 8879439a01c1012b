"""The step and the scatter of a series of readings, from a bounded sample of it."""

from __future__ import annotations

import math

import numpy as np

from fit.records.run import Array

SAMPLED = 20_000  # values used for an estimate of scale
GLANCE = 2_000  # readings from which a series without quantisation is recognised
CLIPPED = 2.5  # standard deviations; 1 in 80 of a normal distribution is beyond. Ours
CLIPPED_SHARE = (
    1
    - 2 * CLIPPED * math.exp(-(CLIPPED**2) / 2) / math.sqrt(2 * math.pi)
    + ((CLIPPED**2 - 1) * math.erfc(CLIPPED / math.sqrt(2)))
)  # E min(z, c)² of a standard normal z
HUBER_STEPS = 8  # each leaves a twelfth of the distance to the solution
# Times n, of white noise's variance from second differences: 2 (1 + 2 (4/9 + 1/36)), their
# correlations being -2/3 and 1/6; clipping costs hardly more.
VARIANCE_SECOND_DIFFERENCES = 35 / 9


def sampled(values: Array) -> Array:
    """A bounded, evenly spread sample of contiguous blocks of a long series.

    Args:
        values: the series (n,).

    Returns:
        The series itself up to `SAMPLED` values, else as many of it.
    """
    if len(values) <= SAMPLED:
        return values
    blocks = 40
    size = SAMPLED // blocks
    starts = np.linspace(0, len(values) - size, blocks).astype(int)
    return np.concatenate([values[start : start + size] for start in starts])


def levels_of(sample: Array) -> Array:
    """The different values of a sample, rounded to a millionth.

    Args:
        sample: readings (n,), NaN where missing.

    Returns:
        The values, ascending.
    """
    return np.unique(np.round(sample[np.isfinite(sample)], 6))


def quantum(values: Array) -> float:
    """Step of a quantised series.

    Args:
        values: readings (n,), NaN where missing [K].

    Returns:
        The step [K]; 0 where the series is not quantised.
    """
    sample = sampled(values)
    few = sample[:: max(1, len(sample) // GLANCE)]
    if len(few) < len(sample) and len(levels_of(few)) > 0.97 * len(few):
        return 0.0
    levels = levels_of(sample)
    if len(levels) < 3 or len(levels) > 0.6 * len(sample):
        return 0.0
    gaps = np.diff(levels)
    step = float(np.median(gaps[gaps <= 1.5 * gaps.min()]))
    off_grid = np.abs(gaps / step - np.round(gaps / step))
    return step if step > 1e-4 and np.median(off_grid) < 0.1 else 0.0


def second_differences(values: Array) -> Array:
    """How far each reading but the first and last is from its neighbours' mean.

    Args:
        values: readings (n,) [K].

    Returns:
        Half of the second differences (n - 2,) [K].
    """
    slope = values[1:] - values[:-1]
    return np.asarray(0.5 * (slope[1:] - slope[:-1]))


def _second_difference_scale(values: Array) -> float:
    """Robust standard deviation of x[i] - (x[i-1] + x[i+1]) / 2."""
    bend = np.abs(second_differences(sampled(values)))
    bend = bend[np.isfinite(bend)]
    if not len(bend):
        return 0.0
    # The median is 0 for coarse steps; the 90 % point then still sees the jumps.
    places = np.array([0.5, 0.9]) * (len(bend) - 1)
    low, high = np.floor(places).astype(int), np.ceil(places).astype(int)
    bend.partition(np.unique([low, high]))
    middle, most = bend[low] + (places - low) * (bend[high] - bend[low])
    return float(max(middle / 0.6745, most / 1.645))


def noise(values: Array) -> float:
    """Standard deviation of the scan-to-scan noise of a series, its trend removed.

    From a quantile of the second differences, which a few spikes hardly move: for finding them.

    Args:
        values: readings (n,), NaN where missing [K].

    Returns:
        The standard deviation [K].
    """
    return _second_difference_scale(values) / np.sqrt(1.5)


def noise_without_spikes(values: Array) -> float:
    """The same of a series freed of its spikes: without bias, and as sure as a variance can be.

    Of second differences b the scale s at which the mean of min(b, cs)² is what a normal
    distribution makes of it (Huber 1964, proposal 2; Huber & Ronchetti, *Robust Statistics*, 5.2):
    the quick rise after a power step is clipped, and the rest counted in full. The variance's own
    relative variance is `VARIANCE_SECOND_DIFFERENCES` / n.

    Args:
        values: readings (n,), NaN where missing [K].

    Returns:
        The standard deviation [K].

    >>> readings = np.random.default_rng(0).standard_normal(1000)
    >>> round(noise_without_spikes(readings), 2)
    0.97
    """
    bend = second_differences(sampled(values))
    square = bend[np.isfinite(bend)] ** 2
    variance = _second_difference_scale(values) ** 2
    for _ in range(HUBER_STEPS):
        variance = float(np.minimum(square, CLIPPED**2 * variance).mean()) / CLIPPED_SHARE
        if variance <= 0:
            break
    return float(np.sqrt(variance / 1.5))


def column_means(values: Array) -> Array:
    """Mean of each column without its missing readings.

    Args:
        values: (n, m), NaN where missing.

    Returns:
        Means (m,), NaN where a column has no reading.

    >>> column_means(np.array([[1.0, np.nan], [3.0, np.nan]])).tolist()
    [2.0, nan]
    """
    present = np.isfinite(values)
    total = np.where(present, values, 0.0).sum(axis=0)
    return np.where(present.any(axis=0), total / np.maximum(present.sum(axis=0), 1), np.nan)
