"""A record of several sources as cells: what `CellRecord` is, and the power of each source."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from fit.identification.lowpass import Filtered, Filters
from fit.identification.pole_model import CellRecord, reduce
from fit.records.run import Array
from fit.signals.cells import Cells
from fit.signals.preparation import Signals


@dataclass(frozen=True, eq=False)
class SourceRecord:
    """The rises of the nodes above the reference, and the power of each source, by cells."""

    cells: CellRecord
    power: Array  # (c, sources) into the path [W]

    @cached_property
    def filters(self) -> tuple[Filters, ...]:
        """The filters of each source's power."""
        whole = self.cells.cells
        return tuple(Filters(replace(whole, power=power), None) for power in self.power.T)

    def filtered(self, tau_s: Array) -> tuple[tuple[Filtered, ...], Filtered]:
        """What each source's power gives at time constants tau_s (P,), and what the reference."""
        return tuple(one(tau_s) for one in self.filters), self.cells.filters(tau_s)


def source_record(
    signals: Signals, nodes: tuple[str, ...], reference: str, share: Array
) -> SourceRecord:
    """Cut a record into cells, with the power of each source.

    Args:
        signals: prepared.
        nodes: measured ones above the reference.
        reference: a measured node.
        share: of each source's electrical power that takes the path (sources,).
    """
    cells = reduce(signals, nodes, reference)
    each = signals.power[:, np.newaxis] if signals.source_power is None else signals.source_power
    return SourceRecord(cells, cell_means(cells.cells, each) * share)


def cell_means(cells: Cells, values: Array) -> Array:
    """Means (c, k) over cells of values (n, k) held between samples.

    A bridge from a known power step to the next sample has that sample's value.
    """
    filled = np.flatnonzero(cells.samples > 0)
    mean = np.add.reduceat(values, cells.first[filled]) / cells.samples[filled, np.newaxis]
    return np.asarray(mean[np.searchsorted(filled, np.arange(len(cells.samples)))])
