"""The table of readings, readings.csv or a bare CSV, as columns of numbers.

What the header does not promise is refused with its line and column, and nothing is put in the
place of what is missing.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fit.errors import RecordError
from fit.records.plain_file import LARGEST_TABLE, read_plain
from fit.records.source_columns import POWER, SUPPLY, PowerColumns, power_columns

Array = NDArray[np.float64]

NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
POSSIBLE_degC = (-273.15, 3000.0)  # absolute zero; beyond every thermocouple (type C ends at 2315)
LARGEST_POWER = 1e9  # a power station's: more is another quantity
LONGEST_s = 1e9  # thirty years; dates counted in milliseconds are longer
SHORTEST_SCAN_s = 1e-5  # no thermocouple is read so often: its bead alone takes milliseconds
UNDER_ZERO = 0.1  # of the highest power, that a supply's reading may stray below zero. Ours
PLAIN = re.compile(rb"[-+.,0-9eE\n]*")
PLAIN_UP_TO = 1_500_000  # bytes, hours of scans: beyond, pandas makes up for its loading
IMPORT_HINT = "bring another logger's file in with 'heatrun import'"


def read_readings(path: Path) -> tuple[dict[str, Array], tuple[str, ...]]:
    """Columns in use by name, each (n,), and what was left out.

    Raises:
        RecordError: the file cannot be used; the message names file, line and column.
    """
    header, body, left_out = _read_whole_lines(path)
    names = _read_header(path, header)
    used = _choose_columns(path, names)
    if unused := [
        name for name in names if name and name not in used and name not in (POWER, *SUPPLY)
    ]:
        left_out += (f"column {', '.join(unused)}: not a reading heatrun knows",)
    if not body or body.isspace():
        raise RecordError(path, "", "has a header and no reading", "one row per scan is expected")
    table = _parse(path, body, names, used)
    keep = _check_time(path, body, table["t_s"])
    if not keep.all():
        repeated = len(keep) - int(keep.sum())
        left_out += (f"{repeated} row{'s' if repeated > 1 else ''} with a repeated time stamp",)
        table = {name: column[keep] for name, column in table.items()}
    for name in used:
        if name.endswith("_degC"):
            left_out += _drop_impossible(name, table[name])
    nodes = [name for name in used if name.endswith("_degC")]
    silent = [name for name in nodes if np.isnan(table[name]).all()]
    if len(silent) == len(nodes):
        raise RecordError(path, f"column {silent[0]}", "holds no reading at all")
    for columns in power_columns(used):
        _check_power(path, body, table, keep, columns)
    return table, left_out


def _drop_impossible(name: str, temperature_degC: Array) -> tuple[str, ...]:
    """Make readings no thermocouple can give missing, in place: an open one often reads so."""
    lowest, highest = POSSIBLE_degC
    impossible = (temperature_degC < lowest) | (temperature_degC > highest)
    if not impossible.any():
        return ()
    example = temperature_degC[int(np.argmax(impossible))]
    temperature_degC[impossible] = np.nan
    count = int(impossible.sum())
    return (
        f"{count} reading{'s' if count > 1 else ''} of {name.removesuffix('_degC')} that no"
        f" thermocouple gives, such as {example:.6g} degC",
    )


def _check_power(
    path: Path,
    body: bytes,
    table: Mapping[str, Array],
    keep: NDArray[np.bool_],
    columns: PowerColumns,
) -> None:
    """Refuse a power that is negative, but for what a supply's reading strays, or too large."""
    name, power = columns.name, columns.power(table)
    if np.isnan(power).all():  # a run that ended before the supply's first answer
        return
    row, highest = int(np.nanargmin(power)), int(np.nanargmax(power))
    if power[row] >= -UNDER_ZERO * max(power[highest], 0.0):
        if power[highest] <= LARGEST_POWER:
            return
        row = highest
    line = _line_of_row(body, int(np.flatnonzero(keep)[row]))
    raise RecordError(
        path,
        f"line {line}, column {name}",
        f"is {power[row]:.6g}",
        "heat put in counts as positive: change the sign"
        if power[row] < 0
        else f"a power is at most {LARGEST_POWER:g}",
    )


def _read_whole_lines(path: Path) -> tuple[bytes, bytes, tuple[str, ...]]:
    """First line, the others up to the last line end, and what was left out."""
    data = read_plain(path, LARGEST_TABLE)
    if not data.strip():
        raise RecordError(path, "", "is empty", "a header line and one row per scan are expected")
    if b"\0" in data:
        line = data.count(b"\n", 0, data.index(b"\0")) + 1
        raise RecordError(
            path,
            f"line {line}",
            "holds NUL bytes",
            f"readings are plain UTF-8 text; {IMPORT_HINT}",
        )
    data = data.removeprefix(b"\xef\xbb\xbf")
    end = data.rfind(b"\n") + 1
    if end == 0:
        raise RecordError(
            path, "", "holds no whole line", "a header line and one row per scan are expected"
        )
    left_out: tuple[str, ...] = ()
    if end < len(data):
        torn = data.count(b"\n") + 1
        left_out = (f"line {torn}: torn, it does not end with a line end",)
    header, _, body = data[:end].partition(b"\n")
    return header, body, left_out


def _read_header(path: Path, header: bytes) -> list[str]:
    try:
        line = header.decode("utf-8")
    except UnicodeDecodeError as error:
        raise RecordError(path, "line 1", "is not UTF-8 text", IMPORT_HINT) from error
    if not line.rstrip("\r").replace("\t", " ").isprintable():
        raise RecordError(path, "line 1", "is not text", f"readings are plain text; {IMPORT_HINT}")
    if line.startswith("#"):
        raise RecordError(
            path, "line 1", "is a comment", f"readings have none: take them out, or {IMPORT_HINT}"
        )
    return [name.strip() for name in next(csv.reader([line.rstrip("\r")]), [])]


def _choose_columns(path: Path, names: Sequence[str]) -> list[str]:
    """The columns a run is made of, `t_s` first."""
    found = ", ".join(names)[:120]
    if "t_s" not in names:
        raise RecordError(
            path, "line 1", f"has no column t_s but {found or 'nothing'}", f"{IMPORT_HINT}"
        )
    if repeated := [name for name in dict.fromkeys(names) if names.count(name) > 1]:
        raise RecordError(
            path, "line 1", f"column {repeated[0]!r} stands twice", "each column has its own name"
        )
    nodes = [name for name in names if name.endswith("_degC") and name != "_degC"]
    if not nodes:
        raise RecordError(
            path,
            "line 1",
            f"has no temperature column but {found}",
            f"one <node>_degC per node is expected; {IMPORT_HINT}",
        )
    powers = power_columns(names)
    if not powers:
        missing = [name for name in SUPPLY if name not in names]
        raise RecordError(
            path,
            "line 1",
            f"has no column {' and no '.join([POWER, *missing])}",
            "give power_W, or supply_V with supply_A; of several sources, each power_<source>_W",
        )
    return ["t_s", *nodes, *(name for one in powers for name in one.columns)]


def _parse(path: Path, body: bytes, names: Sequence[str], used: Sequence[str]) -> dict[str, Array]:
    columns = _parse_plain(body, names, used) if len(body) <= PLAIN_UP_TO else None
    if columns is None:
        columns = _parse_any(path, body, names, used)
    # A short row is filled up with missing cells, and "inf" is taken.
    whole = body.count(b",") == len(columns[0]) * (len(names) - 1)
    if not whole or not all(np.isfinite(column[~np.isnan(column)]).all() for column in columns):
        _find_fault(path, body, names, used)
    return dict(zip(used, columns, strict=True))


def _parse_plain(body: bytes, names: Sequence[str], used: Sequence[str]) -> list[Array] | None:
    """Columns of a table that holds nothing but numbers and empty cells, None of any other.

    pandas takes longer to load than such a table to read.
    """
    text, commas = body.replace(b"\r\n", b"\n"), len(names) - 1
    lines = [line for line in text.split(b"\n") if line]
    if not PLAIN.fullmatch(text) or any(line.count(b",") != commas for line in lines):
        return None
    cells = b",".join(lines).split(b",")
    nan = float("nan")
    try:
        return [
            np.array([float(cell) if cell else nan for cell in cells[place :: len(names)]])
            for place in map(names.index, used)
        ]
    except ValueError:
        return None


def _parse_any(path: Path, body: bytes, names: Sequence[str], used: Sequence[str]) -> list[Array]:
    import pandas as pd

    try:
        frame = pd.read_csv(
            io.BytesIO(body),
            header=None,
            names=list(names),
            usecols=list(used),
            dtype=dict.fromkeys(used, np.float64),
            skipinitialspace=True,
        )
    except (ValueError, OverflowError) as error:  # pandas' ParserError is a ValueError
        _find_fault(path, body, names, used)
        raise RecordError(path, "", f"cannot be read as readings ({error})") from error
    return [frame[name].to_numpy(copy=True) for name in used]


def _find_fault(path: Path, body: bytes, names: Sequence[str], used: Sequence[str]) -> None:
    """Raise for the first row that is not what the header promises."""
    wanted = [(names.index(name), name) for name in used]
    for number, cells in _rows(body):
        if cells[0].startswith("#"):
            raise RecordError(
                path,
                f"line {number}",
                "is a comment",
                f"readings have none: take it out, or {IMPORT_HINT}",
            )
        if len(cells) != len(names):
            raise RecordError(
                path,
                f"line {number}",
                f"has {len(cells)} cell{'s' if len(cells) > 1 else ''}",
                f"the header has {len(names)}: complete the line or take it out",
            )
        for index, name in wanted:
            if not _is_number(cells[index]):
                raise RecordError(
                    path,
                    f"line {number}, column {name}",
                    f"{cells[index].strip()[:40]!r} is not a number",
                    "write a number with a decimal point, or nothing for a missing reading",
                )


def _check_time(path: Path, body: bytes, t_s: Array) -> NDArray[np.bool_]:
    """Rows to keep, (n,): a repeated stamp is dropped, time running backwards is refused."""
    if np.isnan(t_s).any():
        line = _line_of_row(body, int(np.argmax(np.isnan(t_s))))
        raise RecordError(path, f"line {line}, column t_s", "is empty", "every row has its time")
    step = np.diff(t_s, prepend=-np.inf)
    if np.abs(t_s).max() > LONGEST_s:
        row = int(np.argmax(np.abs(t_s)))
        raise RecordError(
            path,
            f"line {_line_of_row(body, row)}, column t_s",
            f"is {t_s[row]:.6g}",
            f"seconds from the start of the record, at most {LONGEST_s:g}",
        )
    if (step < 0).any():
        row = int(np.argmax(step < 0))
        raise RecordError(
            path,
            f"line {_line_of_row(body, row)}, column t_s",
            f"time runs backwards, {t_s[row]:.10g} after {t_s[row - 1]:.10g}",
            "t_s increases from row to row",
        )
    kept = step > 0
    if kept.sum() > 1 and float(np.median(np.diff(t_s[kept]))) < SHORTEST_SCAN_s:
        raise RecordError(
            path,
            "column t_s",
            f"goes from {t_s[0]:.6g} to {t_s[-1]:.6g} in {len(t_s)} rows",
            "seconds from the start of the record are expected",
        )
    return kept


def _rows(body: bytes) -> Iterator[tuple[int, list[str]]]:
    """Line number in the file and cells of every row that is not blank."""
    text = io.StringIO(body.decode("utf-8", "replace"), newline=None)
    for number, line in enumerate(text, start=2):
        if line.strip():
            yield number, next(csv.reader([line]))


def _line_of_row(body: bytes, row: int) -> int:
    return next(number for i, (number, _) in enumerate(_rows(body)) if i == row)


def _is_number(cell: str) -> bool:
    text = cell.strip()
    if not text or text.lower() in ("nan", "na", "null", "n/a"):
        return True
    return bool(NUMBER.fullmatch(text)) and bool(np.isfinite(float(text)))
