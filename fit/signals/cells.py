"""A record of any length cut into a few hundred cells, narrow after each power step, wider later.

Averaging over a cell commutes with a linear model, so nothing is lost but the noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.records.run import Array

Index = NDArray[np.intp]
# Half or twice as many of either move the demonstration's inner spans by less than 0.05 % (seed 1),
# a hundredth of their uncertainty.
CELLS_PER_DECADE = 24
CELLS_PER_RECORD = 160  # with the decades after each step a few hundred in all


@dataclass(frozen=True, eq=False)
class Cells:
    """A record cut into cells; a cell without samples bridges a known edge and the next sample."""

    first: Index  # (c,) index of the first sample
    samples: Index  # (c,) number of samples, 0 in a bridge
    start_s: Array  # (c,) time of the first sample, or of the edge in a bridge [s]
    length_s: Array  # (c,) to the start of the next cell [s]
    spacing_s: Array  # (c,) mean spacing of the samples [s]
    power: Array  # (c,) mean power [power unit]
    scan_s: float  # median time from scan to scan [s]

    @property
    def middle_s(self) -> Array:
        """Mean time of the samples (c,) [s]."""
        return self.start_s + 0.5 * self.spacing_s * np.maximum(self.samples - 1, 0)


def _cuts(t_s: Array, phase_starts: Index, logarithmic: bool, spacing: Array, scan: float) -> Index:
    """Indices where cells begin: log-spaced after a power step, even in a soak."""
    widest = max(scan, (t_s[-1] - t_s[0]) / CELLS_PER_RECORD)
    pieces: list[Index] = []
    ends = [*phase_starts[1:], len(t_s)]
    for number, (begin, end) in enumerate(zip(phase_starts, ends, strict=True)):
        length = t_s[end - 1] - t_s[begin] + scan
        if number == 0 and not logarithmic:
            count = int(max(1, min(10, end - begin)))
            edges = np.linspace(0.0, length, count + 1)[:-1]
        else:
            growth = 10 ** (1 / CELLS_PER_DECADE)
            bend = min(length, widest / (growth - 1))
            count = max(1, int(np.ceil(np.log(bend / scan) / np.log(growth)))) if bend > scan else 1
            log_part = np.concatenate(([0.0], scan * growth ** np.arange(count)))
            edges = np.concatenate(
                (log_part[log_part < length], np.arange(bend, max(length, bend), widest))
            )
        pieces.append(np.searchsorted(t_s[begin:end], t_s[begin] + edges - 0.5 * scan) + begin)
    gaps = np.flatnonzero(spacing > 3 * scan) + 1
    if len(gaps) < CELLS_PER_RECORD:
        pieces.append(gaps)
    cuts = np.unique(np.concatenate(pieces))
    return cuts[cuts < len(t_s)]


def cut(
    t_s: Array,
    power: Array,
    phase_starts: Index,
    edge_s: Array,
    soak_first: bool,
) -> Cells:
    """Cut a record into cells.

    Args:
        t_s: times (n,) [s].
        power: held from each sample to the next (n,) [power unit].
        phase_starts: index of the first sample of each phase (e,), 0 included.
        edge_s: time of each phase's step (e,), NaN where only the scan is known [s].
        soak_first: the first phase is a zero-power soak.

    Returns:
        The cells.
    """
    between = np.diff(t_s)
    scan_s = float(np.median(between)) if len(between) else 1.0
    first = _cuts(t_s, phase_starts, not soak_first, between, scan_s)
    samples = np.diff(np.append(first, len(t_s)))
    start = t_s[first]
    last = t_s[first + samples - 1]
    mean_power = np.add.reduceat(power, first) / samples
    spacing = np.where(samples > 1, (last - start) / np.maximum(samples - 1, 1), 0.0)
    known = np.flatnonzero(np.isfinite(edge_s) & (phase_starts > 0))
    where = np.searchsorted(first, phase_starts[known])
    bridges = edge_s[known] < start[where]
    known, where = known[bridges], where[bridges]
    start_all = np.insert(start, where, edge_s[known])
    end = t_s[-1] + (spacing[-1] if spacing[-1] > 0 else 0.0)
    return Cells(
        first=np.insert(first, where, first[where]),
        samples=np.insert(samples, where, 0),
        start_s=start_all,
        length_s=np.diff(np.append(start_all, end)),
        spacing_s=np.insert(spacing, where, 0.0),
        power=np.insert(mean_power, where, mean_power[where]),
        scan_s=scan_s,
    )


def average(cells: Cells, values: Array) -> tuple[Array, Array]:
    """Mean over each cell.

    Args:
        cells: of the record.
        values: (n, m), NaN where missing.

    Returns:
        Means (c, m), NaN in a cell without values, and the number of values in each (c, m).
    """
    filled = np.flatnonzero(cells.samples > 0)
    mean = np.full((len(cells.samples), values.shape[1]), np.nan)
    count = np.zeros_like(mean)
    for column in range(values.shape[1]):
        series = values[:, column]
        total = np.add.reduceat(series, cells.first[filled])
        number = cells.samples[filled].astype(float)
        if not np.isfinite(total).all():
            present = np.isfinite(series).astype(float)
            total = np.add.reduceat(np.nan_to_num(series), cells.first[filled])
            number = np.add.reduceat(present, cells.first[filled])
        with np.errstate(invalid="ignore"):
            mean[filled, column] = total / number
        count[filled, column] = number
    return mean, count


def knots(cells: Cells, mean: Array) -> Array:
    """Values at the cell edges of a series that is linear between the means of its cells.

    Args:
        cells: of the record.
        mean: of the series in each cell (c,), NaN where missing.

    Returns:
        Values at the start of each cell and at the end of the last (c + 1,), in the series' unit.
    """
    present = np.isfinite(mean) & (cells.samples > 0)
    times = np.append(cells.start_s, cells.start_s[-1] + cells.length_s[-1])
    middle, level = cells.middle_s[present], mean[present]
    values = np.interp(times, middle, level)
    if len(level) > 1:
        late = times > middle[-1]
        slope = (level[-1] - level[-2]) / (middle[-1] - middle[-2])
        values[late] = level[-1] + slope * (times[late] - middle[-1])
    return values
