"""A power profile: power over time, read from a CSV file as strictly as readings are."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from fit.errors import InputError
from fit.records.plain_file import LARGEST_PROFILE, read_plain
from fit.records.readings_table import LARGEST_POWER, NUMBER, LONGEST_s
from fit.records.run import Array
from fit.records.source_columns import power_column, power_columns


@dataclass(frozen=True, eq=False)
class Profile:
    """Power over time; each power holds until the next time, the last time ends it.

    Of several sources a column each.

    >>> load = Profile(Path("load.csv"), np.array([0.0, 10.0, 40.0]), np.array([6.0, 2.0, 2.0]))
    >>> load.mean_W  # (6 x 10 + 2 x 30) / 40
    3.0
    """

    path: Path
    t_s: Array  # (n,) from 0 [s]
    power_W: Array  # (n,), of several sources (n, sources) [W]
    repeat: bool = False  # over and over, until it has settled
    sources: tuple[str, ...] = ()  # names of several

    @property
    def mean_W(self) -> float:
        """Mean power over its length, of all sources together [W]."""
        return float(np.sum(self.mean_each_W))

    @property
    def mean_each_W(self) -> Array:
        """Mean power over its length of the source, or of each (sources,) [W]."""
        step = np.diff(self.t_s)
        return np.asarray(step @ self.power_W[:-1] / np.sum(step))


def read_profile(path: Path, repeat: bool = False, sources: tuple[str, ...] = ()) -> Profile:
    """Read a power profile: CSV with the columns t_s and power_W on its first line.

    Args:
        path: of the file.
        repeat: the profile is run over and over.
        sources: names of several sources: power_<source>_W of each, in place of power_W.

    Returns:
        The profile, its time from 0.

    Raises:
        InputError: the file cannot be used; the message names file, line and remedy.
    """
    columns = ("t_s", *(power_column(name) for name in sources or ("",)))
    begin = f"begin with the line {','.join(columns)}"
    data = read_plain(path, LARGEST_PROFILE, error=InputError, missing="name a CSV file")
    try:
        rows = list(csv.reader(data.decode("utf-8-sig").splitlines()))
    except UnicodeDecodeError:
        raise InputError(path, "", "is not UTF-8 text", "save it as plain UTF-8 text") from None
    except csv.Error as error:
        raise InputError(path, "", f"is no CSV ({error})", begin) from None
    header = [cell.strip() for cell in rows[0]] if rows else []
    missing = [column for column in columns if column not in header]
    if missing:
        raise InputError(path, "line 1", f"no column {missing[0]}", begin)
    named = [one.source for one in power_columns(header) if sources and one.source]
    if strange := [name for name in named if name not in sources]:
        raise InputError(path, "line 1", f"{strange[0]} is no source of the budget", begin)
    if twice := [column for column in columns if header.count(column) > 1]:
        raise InputError(path, "line 1", f"column {twice[0]} stands twice", "each column once")
    body = [(i, row) for i, row in enumerate(rows[1:], 2) if any(cell.strip() for cell in row)]
    rows_of = [_numbers(path, i, row, header, columns) for i, row in body]
    values = np.array(rows_of).reshape(-1, len(columns))
    if len(values) < 2:
        count = "1 row" if len(values) else "no row"
        raise InputError(path, "", f"has {count}", "two at least: the last time ends it")
    for (i, _), (before, now) in zip(body[1:], pairwise(values[:, 0]), strict=True):
        if not now > before:
            raise InputError(
                path, f"line {i}", f"t_s {now:g} after {before:g}", "times must ascend"
            )
    power_W = values[:, 1:] if sources else values[:, 1]
    return Profile(path, values[:, 0] - values[0, 0], power_W, repeat, sources)


def _numbers(
    path: Path, line: int, row: list[str], header: list[str], columns: tuple[str, ...]
) -> list[float]:
    if len(row) != len(header):
        raise InputError(
            path,
            f"line {line}",
            f"has {len(row)} cell{'s' if len(row) > 1 else ''}",
            f"the header has {len(header)}: complete the line or take it out; decimals have a "
            "point, not a comma",
        )
    return [_number(path, line, name, row[header.index(name)].strip()) for name in columns]


def _number(path: Path, line: int, column: str, cell: str) -> float:
    number = float(cell) if NUMBER.fullmatch(cell) else math.nan
    least, most = (-LONGEST_s, LONGEST_s) if column == "t_s" else (0.0, LARGEST_POWER)
    if not least <= number <= most:
        raise InputError(
            path,
            f"line {line}, {column}",
            f"{cell[:40]!r} will not do",
            f"a number with a decimal point, {least:g} to {most:g}",
        )
    return number
