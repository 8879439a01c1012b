"""From a run as recorded to signals fit for identification: offsets off, spikes out, steps found."""

from __future__ import annotations

from dataclasses import dataclass

from fit.record import Array, Run


@dataclass(frozen=True)
class Signals:
    """Offset-corrected readings with what was done to them."""

    t_s: Array  # (n,) [s]
    nodes: tuple[str, ...]
    temperature_degC: Array  # (n, nodes) [degC], zero-power offset removed, NaN = missing or left out
    power: Array  # (n,) [power_unit]
    power_unit: str
    zero_power_offset_K: Array  # (nodes,) [K], NaN where no soak was recorded
    zero_power_offset_u_K: Array  # (nodes,) [K], standard uncertainty
    power_edges_s: tuple[float, ...]  # times at which the power stepped [s]
    left_out: tuple[str, ...]  # what was left out and why, one sentence each
    warnings: tuple[str, ...]


def prepare(run: Run) -> Signals:
    """Clean a run and remove its zero-power offsets."""
    raise NotImplementedError
