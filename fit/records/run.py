"""A recorded run read back: a run folder or a bare readings CSV.

With `readings.py`, which reads the table, `run_folder.py`, which writes, and `importing.py` the
only place that knows file names and columns.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from fit.errors import RecordError
from fit.records.off_path import places
from fit.records.plain_file import LARGEST_DOCUMENT, LARGEST_TABLE, read_plain
from fit.records.readings_table import Array, read_readings
from fit.records.writer import DOCUMENT, EVENTS, READINGS, SCHEMA, RunWriter, write_result
from fit.tabular import Tabular
from fit.toml_file import shown

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["Array", "Event", "Run", "RunWriter", "read_events", "read_run", "write_result"]

WITHOUT_IT = "mend it; without run.json the readings can still be fitted"
UNREADABLE = (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError)


@dataclass(frozen=True)
class Event:
    """One line of events.jsonl."""

    t_s: float
    event: str
    details: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Run(Tabular):
    """One heat run as it was recorded: nothing corrected, nothing invented.

    Missing readings are NaN. `document` is run.json (empty for a bare CSV), `left_out` says what
    reading had to drop (a torn last line, repeated time stamps, ...), one sentence each.
    """

    path: Path
    label: str
    nodes: tuple[str, ...]
    t_s: Array  # (n,) [s]
    temperature_degC: Array  # (n, nodes) [degC]
    power: Array  # (n,) [power_unit]
    power_unit: str = "W"
    events: tuple[Event, ...] = ()
    document: Mapping[str, object] = field(default_factory=dict)
    left_out: tuple[str, ...] = ()
    off_path: tuple[str, ...] = ()  # measured besides, no part of any fit
    off_path_degC: Array = field(default_factory=lambda: np.empty((0, 0)))  # (n, off_path) [degC]

    def __repr__(self) -> str:
        if not len(self.t_s):
            return f"<Run {self.label!r}: no scan>"
        return (
            f"<Run {self.label!r}: {len(self.t_s)} scans of {', '.join(self.nodes)}"
            f" over {self.t_s[-1] - self.t_s[0]:.0f} s>"
        )

    def to_frame(self) -> DataFrame:
        """Readings as recorded: t_s, <node>_degC and the power (n rows)."""
        import pandas as pd

        columns = {f"{node}_degC": self.temperature_degC[:, j] for j, node in enumerate(self.nodes)}
        return pd.DataFrame({"t_s": self.t_s, **columns, f"power_{self.power_unit}": self.power})

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
    document: dict[str, object] = {}
    events: tuple[Event, ...] = ()
    if is_folder:
        document = _read_document(path / DOCUMENT)
        events, dropped = read_events(path / EVENTS)
        left_out = (*_left_out_by_import(document), *left_out, *dropped)
    columns = [name for name in table if name.endswith("_degC")]
    measured = [name.removesuffix("_degC") for name in columns]
    temperature_degC = np.column_stack([table[name] for name in columns])
    on, off = places(measured, document)
    if not on:
        problem = "puts every node off the path"
        raise RecordError(path / DOCUMENT, "sensors", problem, "leave one on it")
    power = table["power_W"] if "power_W" in table else table["supply_V"] * table["supply_A"]
    return Run(
        path=path,
        label=_one_line(document.get("label")) or path.stem,
        nodes=tuple(measured[i] for i in on),
        t_s=table["t_s"],
        temperature_degC=temperature_degC[:, on],
        power=power,
        power_unit=_one_line(document.get("power_unit")) or "W",
        events=events,
        document=document,
        left_out=left_out,
        off_path=tuple(measured[i] for i in off),
        off_path_degC=temperature_degC[:, off],
    )


def read_events(path: Path) -> tuple[tuple[Event, ...], tuple[str, ...]]:
    """Events of events.jsonl (none if there is no such file), and what was left out of it.

    A line that cannot be read is left out: events help a fit, they must not prevent one.
    """
    if not path.exists():
        return (), ()
    events, bad = [], []
    lines = read_plain(path, LARGEST_TABLE).splitlines(keepends=True)
    for number, line in enumerate(lines, start=1):
        try:
            entry = json.loads(line)
            if not line.endswith(b"\n"):
                raise ValueError
            t_s, event = float(entry.pop("t_s")), str(entry.pop("event"))
            if not math.isfinite(t_s):
                raise ValueError
        except UNREADABLE:
            if line.strip():
                bad.append(str(number))
            continue
        events.append(Event(t_s, event, entry))
    if not bad:
        return tuple(events), ()
    return tuple(events), (f"{path.name}: {_lines(bad)} cannot be read as an event",)


def _read_document(path: Path) -> dict[str, object]:
    if not path.exists():
        return {}
    data = read_plain(path, LARGEST_DOCUMENT)
    try:
        document = json.loads(data)
    except json.JSONDecodeError as error:
        raise RecordError(
            path,
            f"line {error.lineno} column {error.colno}",
            f"is not JSON ({error.msg})",
            WITHOUT_IT,
        ) from error
    except UnicodeDecodeError as error:
        raise RecordError(
            path, f"byte {error.start}", "is not UTF-8 text", "save it as plain UTF-8 text"
        ) from error
    except (ValueError, RecursionError) as error:  # thousands of digits, thousands of brackets
        raise RecordError(
            path, "", "is no run.json that heatrun would write", WITHOUT_IT
        ) from error
    if not isinstance(document, dict):
        raise RecordError(
            path, "", "is not a JSON object", f'it begins with {{"schema": "{SCHEMA}"'
        )
    schema = document.get("schema", SCHEMA)
    if schema != SCHEMA:
        raise RecordError(path, "schema", f"is {schema!r}", f"this version reads {SCHEMA!r}")
    stated_accuracy(path, document)
    return document


def stated_accuracy(
    path: Path, document: Mapping[str, object]
) -> tuple[Mapping[str, float], float]:
    """Relative standard uncertainties that run.json states: of each node's rise, of the power.

    A channel of the rig comes before the sensor's own entry; what is not stated is left out, or 0.

    Raises:
        RecordError: one that is no such number.
    """
    sensors, rig = document.get("sensors"), document.get("rig")
    stated: dict[str, float] = {}
    for node, sensor in sensors.items() if isinstance(sensors, Mapping) else ():
        if isinstance(sensor, Mapping) and "match_u" in sensor:
            stated[str(node)] = _share(path, f"sensors: {node}: match_u", sensor["match_u"])
    if not isinstance(rig, Mapping):
        return stated, 0.0
    channels = rig.get("channel") or []
    if not isinstance(channels, list) or not all(isinstance(one, Mapping) for one in channels):
        raise RecordError(path, "rig: channel", "is no list of channels", "as in rig.toml")
    for number, channel in enumerate(channels, start=1):
        if "match_u" in channel:
            place = f"rig: channel {number}: match_u"
            stated[str(channel.get("node"))] = _share(path, place, channel["match_u"])
    power = rig.get("power")
    if not isinstance(power, Mapping):
        return stated, 0.0
    return stated, _share(path, "rig: power: u_relative", power.get("u_relative"))


def _share(path: Path, place: str, value: object) -> float:
    if value is None:
        return 0.0
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1:
        raise RecordError(path, place, f"{shown(value)} will not do", "a number from 0 to under 1")
    return float(value)


def _one_line(text: object) -> str:
    """Text as one line, without what would move a terminal's cursor."""
    line = " ".join(str(text or "").split())
    return "".join(sign if sign.isprintable() else "?" for sign in line)


def _left_out_by_import(document: Mapping[str, object]) -> tuple[str, ...]:
    origin = document.get("import")
    if not isinstance(origin, Mapping) or not isinstance(origin.get("left_out"), list):
        return ()
    return tuple(f"{origin.get('file')}: {sentence}" for sentence in origin["left_out"])


def _lines(numbers: Sequence[str]) -> str:
    head = ", ".join(numbers[:5]) + (", …" if len(numbers) > 5 else "")
    return f"line{'s' if len(numbers) > 1 else ''} {head}"
