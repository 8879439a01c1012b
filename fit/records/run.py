"""A recorded run read back: a run folder or a bare readings CSV."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from fit.errors import RecordError
from fit.notation import fixed
from fit.records.events import Event, read_events
from fit.records.metadata import NOT_KNOWN, RunMetadata, read_metadata
from fit.records.off_path import places
from fit.records.readings_table import Array, read_readings
from fit.records.run_folder import DOCUMENT, EVENTS, READINGS, VF_WINDOWS
from fit.records.source_columns import power_columns
from fit.records.vf_windows import VfWindows, read_vf_windows
from fit.tabular import Tabular

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["Array", "Event", "Run", "read_run"]


@dataclass(frozen=True, eq=False)
class Run(Tabular):
    """One heat run as it was recorded: nothing corrected, nothing invented.

    Missing readings are NaN. Of several sources `power` is the sum. `metadata` is run.json, empty
    for a bare CSV; `left_out` says what reading had to drop (a torn last line, repeated time
    stamps, ...), one sentence each.
    """

    path: Path
    label: str
    nodes: tuple[str, ...]
    t_s: Array  # (n,) [s]
    temperature_degC: Array  # (n, nodes) [degC]
    power: Array  # (n,) [power_unit]
    power_unit: str = "W"
    events: tuple[Event, ...] = ()
    metadata: RunMetadata = NOT_KNOWN
    left_out: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()  # by name; none where there is one without
    source_power: Array | None = None  # (n, sources), None where there is one without a name
    off_path: tuple[str, ...] = ()  # measured besides, no part of any fit
    off_path_degC: Array = field(default_factory=lambda: np.empty((0, 0)))  # (n, off_path) [degC]
    vf_windows: VfWindows | None = None  # forward voltages of the junction

    def __repr__(self) -> str:
        if not len(self.t_s):
            return f"<Run {self.label!r}: no scan>"
        return (
            f"<Run {self.label!r}: {len(self.t_s)} scans of {', '.join(self.nodes)}"
            f" over {fixed(self.t_s[-1] - self.t_s[0], 0)} s>"
        )

    def to_frame(self) -> DataFrame:
        """Readings as recorded: t_s, <node>_degC and the power of each source (n rows)."""
        import pandas as pd

        columns = {f"{node}_degC": self.temperature_degC[:, j] for j, node in enumerate(self.nodes)}
        powers = {f"power_{self.power_unit}": self.power}
        if self.source_power is not None:
            named = zip(self.sources, self.source_power.T, strict=True)
            powers = {f"power_{source}_{self.power_unit}": power for source, power in named}
        return pd.DataFrame({"t_s": self.t_s, **columns, **powers})

    @property
    def folder(self) -> Path | None:
        """The run folder; None for a bare CSV, beside which nothing is ever written."""
        return self.path if self.path.is_dir() else None


def read_run(path: str | Path) -> Run:
    """Read a run folder, or a bare readings CSV.

    Args:
        path: the folder, its readings.csv, or any CSV with the contract's columns: `t_s` [s],
            `<node>_degC` [degC] for each node, and `power_W` [W] or `supply_V` [V] with
            `supply_A` [A].
    Returns:
        The run with n rows. Repeated time stamps and a torn last line are dropped and said in
        `left_out`; an empty cell is NaN.
    Raises:
        RecordError: the readings cannot be used; the message names file, line and column.
    """
    path = Path(path)
    # readings.csv alone would lose the power unit and the events beside it.
    if path.name == READINGS and (path.parent / DOCUMENT).is_file():
        path = path.parent
    is_folder = path.is_dir()
    readings = path / READINGS if is_folder else path
    if is_folder and not readings.is_file():
        raise RecordError(path, "", f"holds no {READINGS}", "name a run folder or a readings CSV")
    table, left_out = read_readings(readings)
    metadata, events, windows = NOT_KNOWN, tuple[Event, ...](), None
    if is_folder:
        if (path / DOCUMENT).exists():
            metadata = read_metadata(path / DOCUMENT)
        events, dropped = read_events(path / EVENTS)
        windows = read_vf_windows(path / VF_WINDOWS)
        dropped += () if windows is None else windows.left_out
        left_out = (*_left_out_by_import(metadata), *left_out, *dropped)
    columns = [name for name in table if name.endswith("_degC")]
    measured = [name.removesuffix("_degC") for name in columns]
    temperature_degC = np.column_stack([table[name] for name in columns])
    on, off = places(measured, metadata.sensors)
    if not on:
        problem = "puts every node off the path"
        raise RecordError(path / DOCUMENT, "sensors", problem, "leave one on it")
    powers = power_columns(list(table))
    each = np.column_stack([column.power(table) for column in powers])
    named = bool(powers[0].source)
    return Run(
        path=path,
        label=metadata.label or path.stem,
        nodes=tuple(measured[i] for i in on),
        t_s=table["t_s"],
        temperature_degC=temperature_degC[:, on],
        power=each.sum(axis=1),
        power_unit=metadata.power_unit,
        events=events,
        metadata=metadata,
        left_out=left_out,
        sources=tuple(column.source for column in powers) if named else (),
        source_power=each if named else None,
        off_path=tuple(measured[i] for i in off),
        off_path_degC=temperature_degC[:, off],
        vf_windows=windows,
    )


def _left_out_by_import(metadata: RunMetadata) -> tuple[str, ...]:
    origin = metadata.origin
    return () if origin is None else tuple(f"{origin.file}: {one}" for one in origin.left_out)
