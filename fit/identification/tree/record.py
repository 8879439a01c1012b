"""A record of several sources as cells: what `CellRecord` is, and the power of each source."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from fit.identification.lowpass import Filters
from fit.identification.lowpass_table import InputTable, even_grid
from fit.identification.pole_model import LONGEST, SHORTEST_LUMP_S, CellRecord, reduce
from fit.records.run import Array
from fit.signals.cells import Cells
from fit.signals.preparation import Signals

SPACING = 0.1  # of ln tau: half a ladder's, and a sixteenth of its error, 1e-6 of an input


@dataclass(frozen=True, eq=False)
class Inputs:
    """What drives a tree, filtered at P time constants, with the derivatives by ln tau."""

    power: Array  # (sources, c, P) L_k[P_s]
    d_power: Array
    reference: Array  # (c, P) T_ref - L_k[T_ref]
    d_reference: Array
    initial: Array  # (c, P) exp(-(t - t_0) / tau_k)
    d_initial: Array


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

    def filtered(self, tau_s: Array) -> Inputs:
        """The inputs at time constants tau_s (P,), exactly."""
        each = [one(tau_s) for one in self.filters]
        rest = self.cells.filters(tau_s)
        return Inputs(
            np.array([one.power for one in each]),
            np.array([one.d_power for one in each]),
            rest.reference,
            rest.d_reference,
            rest.initial,
            rest.d_initial,
        )

    @cached_property
    def _table(self) -> InputTable:
        grid = even_grid(SHORTEST_LUMP_S, LONGEST * self.cells.length_s, SPACING)
        at = self.filtered(np.exp(grid))
        pairs = [*zip(at.power, at.d_power, strict=True)]
        pairs += [(at.reference, at.d_reference), (at.initial, at.d_initial)]
        return InputTable(grid, pairs)

    def interpolated(self, tau_s: Array) -> Inputs:
        """The same by interpolation; lumps that no scan tells from nothing are as the least one.

        Exactly where a time constant is beyond the table.
        """
        within = np.maximum(tau_s, SHORTEST_LUMP_S)
        if not self._table.reaches(within):
            return self.filtered(tau_s)
        value, slope = self._table(within)
        return Inputs(value[:-2], slope[:-2], value[-2], slope[-2], value[-1], slope[-1])


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
