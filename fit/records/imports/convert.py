"""Another logger's delimited file made into a run folder: units converted, nothing else changed."""

from __future__ import annotations

import contextlib
import hashlib
import re
import shutil
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fit.errors import RecordError
from fit.records.events import EndReason, EventName
from fit.records.imports.delimited import (
    NUMBER,
    Array,
    ColumnError,
    Format,
    Table,
    numbers,
    open_inputs,
    read_table,
)
from fit.records.imports.plausible import check_power, check_temperatures, check_times, doubt
from fit.records.imports.time_column import read_clock, rows_to_keep
from fit.records.imports.units import (
    ABSOLUTE_ZERO_degC,
    electrical_taken,
    temperature_taken,
    to_degC,
)
from fit.records.metadata import run_document
from fit.records.plain_file import LARGEST_TABLE, read_plain
from fit.records.readings_table import LARGEST_POWER
from fit.records.results import to_json, write_result
from fit.records.run_folder import DOCUMENT, EVENTS, READINGS, default_folder, not_created

WATTS = re.compile(r"\s*([+-]?\d*[.,]?\d+([eE][+-]?\d+)?)\s*(W?)\s*", re.ASCII)
SOURCE = re.compile(r"[a-z][a-z0-9_]*", re.ASCII)


@dataclass(frozen=True)
class Columns:
    """Which columns hold what. A column is its name in the header, or its number from 1.

    `power` is a column, or a number: the power that was on from the first reading, or from
    `power_on_s` to `power_off_s` [s after the first reading] where those are known. In its place
    `supply_V` and `supply_A` may name two columns, or `sources` the column of each of several.
    """

    time: tuple[str, ...]  # one column, or the date and the time of day
    nodes: Mapping[str, str]  # node -> column, in the order of the heat path
    power: str | None = None
    supply_V: str | None = None
    supply_A: str | None = None
    sources: Mapping[str, str] = field(default_factory=dict)  # source -> column of its power
    time_unit: str | None = None  # s | ms | min | h | iso; None = iso for stamps, else s
    time_format: str | None = None  # of stamps that are not ISO 8601, as strptime has it
    temperature_unit: str | None = None  # degC | K | degF; None = as the file says, else degC
    power_unit: str = "W"
    power_on_s: float | None = None
    power_off_s: float | None = None
    match_u: float = 0.0  # relative standard uncertainty of each channel's rise
    power_u: float = 0.0  # relative standard uncertainty of the recorded power
    format: Format = field(default_factory=Format)
    labels: Mapping[str, Any] = field(default_factory=dict)  # of `stated_labels`


@dataclass(frozen=True)
class Imported:
    """What became of the file."""

    folder: Path
    readings: int
    duration_s: float
    notes: tuple[str, ...]  # what was found and how it was read
    left_out: tuple[str, ...]


def import_file(
    file: Path, columns: Columns, out: Path | None = None, label: str | None = None
) -> Imported:
    """Make a run folder of another logger's file. On any failure nothing is left behind.

    Args:
        file: delimited text.
        columns: what is where.
        out: the run folder to create; `runs/<UTC start>_<label>` when None.
        label: the run's name; the file's when None.
    Raises:
        RecordError: the file, a column or a cell that cannot be used, or a folder that exists.
    """
    label = label or file.stem
    if out is not None and out.exists():
        raise RecordError(
            out, "", "exists already", "an import never writes over anything: name a new folder"
        )
    table, power_is_column = _read(file, columns)
    clock = read_clock(table, len(columns.time), columns.time_unit, columns.time_format)
    rows, left_out = rows_to_keep(table, clock)
    t_s = clock.t_s[rows]
    check_times(table, rows, t_s)
    readings = {"t_s": t_s}
    first_node = len(columns.time)
    time = " and ".join(table.titles[:first_node])
    notes = [_how_read(table.format), f"time: {time} [{clock.unit}]"]
    for place, node in enumerate(columns.nodes, start=first_node):
        unit, said = temperature_taken(table.units[place], columns.temperature_unit)
        readings[f"{node}_degC"] = _temperatures(table, place, rows, unit)
        notes.append(f"{node}: {table.titles[place]} [{said}]")
        notes += doubt(node, readings[f"{node}_degC"], unit)
        left_out += open_inputs(table, place, rows)
    first_power = first_node + len(columns.nodes)
    if columns.sources:
        for place, source in enumerate(columns.sources, start=first_power):
            power, said = _electrical(table, place, rows, columns.power_unit)
            check_power(table, rows, {place: power})
            readings[f"power_{source}_W"] = power
            notes.append(f"power of {source}: {said}")
    elif columns.supply_V is not None:
        volts, said_V = _electrical(table, first_power, rows, "V")
        amperes, said_A = _electrical(table, first_power + 1, rows, "A")
        readings.update(supply_V=volts, supply_A=amperes)
        check_power(table, rows, {first_power: volts, first_power + 1: amperes})
        notes.append(f"power: {said_V} × {said_A}")
    elif power_is_column:
        readings["power_W"], said = _electrical(table, first_power, rows, columns.power_unit)
        check_power(table, rows, {first_power: readings["power_W"]})
        notes.append(f"power: {said}")
    else:
        readings["power_W"], note = _stated_power(file, columns, t_s)
        notes.append(note)
    started = clock.started or datetime.now(UTC)
    origin = {
        "file": file.name,
        "sha256": hashlib.sha256(read_plain(file, LARGEST_TABLE)).hexdigest(),
        "started_from": clock.source,
        "notes": notes,
        "left_out": left_out,
    }
    document = run_document(
        label,
        list(columns.nodes),
        started,
        rig=_stated_rig(columns),
        power_unit=columns.power_unit,
        **columns.labels,
        **{"import": origin},
    )
    folder = out or default_folder(label, started)
    _write(folder, readings, document, _events(columns, t_s))
    return Imported(folder, len(t_s), float(t_s[-1]), tuple(notes), tuple(left_out))


def _read(file: Path, columns: Columns) -> tuple[Table, bool]:
    """The table, and whether the power is one of its columns."""
    _check_request(file, columns)
    wanted = [*columns.time, *columns.nodes.values()]
    if columns.sources:
        return read_table(file, [*wanted, *columns.sources.values()], columns.format), True
    if columns.supply_V is not None and columns.supply_A is not None:
        return read_table(
            file, [*wanted, columns.supply_V, columns.supply_A], columns.format
        ), False
    assert columns.power is not None
    stated = WATTS.fullmatch(columns.power)
    if not stated:
        return read_table(file, [*wanted, columns.power], columns.format), True
    # A whole number is a column where all columns are given by number, else watts.
    if columns.power_on_s is columns.power_off_s is None and all(
        text.strip().isdecimal() for text in (*wanted, columns.power)
    ):
        with contextlib.suppress(ColumnError):
            return read_table(file, [*wanted, columns.power], columns.format), True
    return read_table(file, wanted, columns.format), False


def _check_request(file: Path, columns: Columns) -> None:
    """Refuse what cannot be meant, before the file is opened."""
    supply = (columns.supply_V, columns.supply_A)
    if not columns.nodes:
        raise RecordError(file, "--node", "no node is given", "give --node NAME=COLUMN")
    for node in columns.nodes:
        if not re.fullmatch(r"\w[\w-]*", node) or node != node.lower():
            raise RecordError(
                file, f"--node {node}", "is no name of a node", "lower-case letters, digits and _"
            )
    _check_sources(file, columns)
    used = [*columns.nodes.values(), *columns.time, *columns.sources.values()]
    if repeated := _repeated(used):
        raise RecordError(file, f"column {repeated}", "is asked for twice", "one column, one use")
    if any(supply) and (columns.power is not None or not all(supply)):
        raise RecordError(
            file,
            "--supply-voltage, --supply-current",
            "go together",
            "give both and no --power, or --power alone",
        )
    if columns.power is None and not any(supply) and not columns.sources:
        raise RecordError(
            file,
            "--power",
            "is not given",
            "name its column, or state it in watts, such as 4.2; --source NAME=COL for each of "
            "several sources",
        )
    if not columns.power_unit.strip():
        raise RecordError(file, "--power-unit", "is empty", "W, or the unit the power is in")
    is_stated = columns.power is not None and WATTS.fullmatch(columns.power)
    if not is_stated and (columns.power_on_s is not None or columns.power_off_s is not None):
        raise RecordError(
            file,
            "--power-on, --power-off",
            "go with a stated power",
            "a column of power has its own steps: leave them out",
        )


def _check_sources(file: Path, columns: Columns) -> None:
    """Sources have names that a column can carry, and stand in place of one power."""
    for source in columns.sources:
        if not SOURCE.fullmatch(source):
            raise RecordError(
                file,
                f"--source {source}",
                "is no name of a source",
                "lower-case letters, digits and _, a letter first, as in the budget",
            )
    given = {
        "--power": columns.power,
        "--supply-voltage": columns.supply_V,
        "--supply-current": columns.supply_A,
    }
    beside = [option for option, value in given.items() if value is not None]
    if columns.sources and beside:
        raise RecordError(
            file,
            f"--source and {beside[0]}",
            "do not go together",
            f"{beside[0]} for one source, --source NAME=COL for each of several",
        )


def _repeated(names: list[str]) -> str | None:
    return next((name for name in names if names.count(name) > 1), None)


def _readings(table: Table, place: int, rows: NDArray[np.intp]) -> Array:
    """A column's values at the rows kept, (kept,), NaN = missing."""
    values, bad = numbers(table, place)
    values, bad = values[rows], bad[rows]
    if bad.any():
        row = int(rows[int(np.argmax(bad))])
        cell = table.cell(row, place)
        hint = f"or --missing {cell!r} if it stands for no reading"
        if table.format.decimal == "." and NUMBER.fullmatch(cell):
            hint = "or --decimal , if that is its decimal mark"
        raise RecordError(
            table.path, table.place(row, place), f"{cell!r} is not a number", f"mend it, {hint}"
        )
    if np.isnan(values).all():
        raise RecordError(
            table.path,
            table.titles[place],
            "holds no number",
            "leave it out, or name another column",
        )
    return values


def _electrical(table: Table, place: int, rows: NDArray[np.intp], unit: str) -> tuple[Array, str]:
    """A column's volts, amperes or power, (kept,), without the file's prefix (mA), and its note."""
    factor, said = electrical_taken(unit, table.units[place])
    return _readings(table, place, rows) * factor, f"{table.titles[place]} [{said}]"


def _temperatures(table: Table, place: int, rows: NDArray[np.intp], unit: str) -> Array:
    """A column's readings in degC, (kept,)."""
    values = to_degC(_readings(table, place, rows), unit)
    check_temperatures(table, rows, place, values)
    below = values < ABSOLUTE_ZERO_degC
    if below.any():
        row = int(rows[int(np.argmax(below))])
        raise RecordError(
            table.path,
            table.place(row, place),
            f"{table.cell(row, place)} {unit} is below absolute zero",
            "state --temperature-unit, or --missing with that value if it stands for no reading",
        )
    return values


def _stated_power(file: Path, columns: Columns, t_s: Array) -> tuple[Array, str]:
    """A stated power as a column, (kept,), and how it was understood."""
    match = WATTS.fullmatch(columns.power or "")
    assert match is not None
    value = float(match[1].replace(",", "."))
    if not 0 <= value <= LARGEST_POWER:
        raise RecordError(
            file,
            "--power",
            f"{value:g} is no heating power",
            f"0 to {LARGEST_POWER:g}: heat put in is positive, and cooling alone has none",
        )
    on_s, off_s = columns.power_on_s, columns.power_off_s
    for option, edge in (("--power-on", on_s), ("--power-off", off_s)):
        if edge is not None and not 0 <= edge <= t_s[-1]:
            raise RecordError(
                file,
                option,
                f"{edge:g} s is outside the record",
                f"seconds after the first reading, 0 to {t_s[-1]:g}",
            )
    if on_s is not None and off_s is not None and off_s <= on_s:
        raise RecordError(file, "--power-off", "is not later than --power-on", "swap them")
    power = np.full(len(t_s), value)
    power[t_s < (on_s if on_s is not None else -np.inf)] = 0.0
    power[t_s >= (off_s if off_s is not None else np.inf)] = 0.0
    begin = "from the first reading" if on_s is None else f"from {on_s:g} s"
    until = "" if off_s is None else f" to {off_s:g} s"
    return power, f"power: stated, {value:g} {columns.power_unit} {begin}{until}"


def _stated_rig(columns: Columns) -> dict[str, object] | None:
    """What is known of the other logger's accuracy, under the keys of a rig.toml."""
    rig: dict[str, object] = {}
    if columns.match_u:
        rig["channel"] = [
            {"node": node, "column": column, "match_u": columns.match_u}
            for node, column in columns.nodes.items()
        ]
    if columns.power_u:
        rig["power"] = {"u_relative": columns.power_u}
    return rig or None


def _how_read(form: Format) -> str:
    names = {"\t": "tab", " ": "blanks", ",": "comma", ";": "semicolon"}
    delimiter = names.get(form.delimiter or "", repr(form.delimiter))
    decimal = "comma" if form.decimal == "," else "point"
    return f"delimiter {delimiter}, decimal {decimal}, {form.encoding}"


def _events(columns: Columns, t_s: Array) -> list[dict[str, object]]:
    edges = (
        (EventName.POWER_ON, columns.power_on_s),
        (EventName.POWER_OFF, columns.power_off_s),
    )
    events: list[dict[str, object]] = [
        {"t_s": edge, "event": name, "stated": True} for name, edge in edges if edge is not None
    ]
    stop = {"t_s": float(t_s[-1]), "event": EventName.STOP, "reason": EndReason.IMPORTED}
    return [*events, stop]


def _texts(values: Array) -> list[str]:
    """Shortest text of each value that reads back the same; empty where there is none."""
    # Readings come in steps: a long record has few different ones.
    different, which = np.unique(values, return_inverse=True)
    texts = ["" if np.isnan(value) else repr(value) for value in different.tolist()]
    return np.array(texts, dtype=object)[which].tolist()


def _write(
    folder: Path,
    columns: Mapping[str, Array],
    document: Mapping[str, object],
    events: list[dict[str, object]],
) -> None:
    """Build the run folder beside its place and move it there whole."""
    building = folder.with_name(f".{folder.name}.{uuid.uuid4().hex[:8]}.tmp")
    new_parents = [parent for parent in folder.parents if not parent.exists()]
    try:
        building.mkdir(parents=True)
        write_result(building, DOCUMENT, document)
        with (building / READINGS).open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(",".join(columns) + "\n")
            cells = [_texts(values) for values in columns.values()]
            stream.writelines(",".join(row) + "\n" for row in zip(*cells, strict=True))
        lines = "".join(to_json(event) + "\n" for event in events)
        write_result(building, EVENTS, lines)
        if folder.exists():
            raise FileExistsError(17, "exists already")
        building.rename(folder)
    except BaseException as error:
        shutil.rmtree(building, ignore_errors=True)
        for parent in new_parents:
            with contextlib.suppress(OSError):
                parent.rmdir()
        if isinstance(error, OSError):
            raise not_created(folder, error) from error
        raise
