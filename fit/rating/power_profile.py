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

COLUMNS = ("t_s", "power_W")
_LARGEST = {"t_s": LONGEST_s, "power_W": LARGEST_POWER}


@dataclass(frozen=True, eq=False)
class Profile:
    """Power over time; each power holds until the next time, the last time ends it.

    >>> load = Profile(Path("load.csv"), np.array([0.0, 10.0, 40.0]), np.array([6.0, 2.0, 2.0]))
    >>> load.mean_W  # (6 x 10 + 2 x 30) / 40
    3.0
    """

    path: Path
    t_s: Array  # (n,) from 0 [s]
    power_W: Array  # (n,) [W]
    repeat: bool = False  # over and over, until it has settled

    @property
    def mean_W(self) -> float:
        """Mean power over its length [W]."""
        step = np.diff(self.t_s)
        return float(np.sum(self.power_W[:-1] * step) / np.sum(step))


def read_profile(path: Path, repeat: bool = False) -> Profile:
    """Read a power profile: CSV with the columns t_s and power_W on its first line.

    Args:
        path: of the file.
        repeat: the profile is run over and over.

    Returns:
        The profile, its time from 0.

    Raises:
        InputError: the file cannot be used; the message names file, line and remedy.
    """
    data = read_plain(path, LARGEST_PROFILE, error=InputError, missing="name a CSV file")
    try:
        rows = list(csv.reader(data.decode("utf-8-sig").splitlines()))
    except UnicodeDecodeError:
        raise InputError(path, "", "is not UTF-8 text", "save it as plain UTF-8 text") from None
    except csv.Error as error:
        raise InputError(
            path, "", f"is no CSV ({error})", "begin with the line t_s,power_W"
        ) from None
    header = [cell.strip() for cell in rows[0]] if rows else []
    missing = [column for column in COLUMNS if column not in header]
    if missing:
        raise InputError(
            path, "line 1", f"no column {missing[0]}", "begin with the line t_s,power_W"
        )
    if twice := [column for column in COLUMNS if header.count(column) > 1]:
        raise InputError(path, "line 1", f"column {twice[0]} stands twice", "each column once")
    body = [(i, row) for i, row in enumerate(rows[1:], 2) if any(cell.strip() for cell in row)]
    values = np.array([_numbers(path, i, row, header) for i, row in body]).reshape(-1, 2)
    if len(values) < 2:
        count = "1 row" if len(values) else "no row"
        raise InputError(path, "", f"has {count}", "two at least: the last time ends it")
    for (i, _), (before, now) in zip(body[1:], pairwise(values[:, 0]), strict=True):
        if not now > before:
            raise InputError(
                path, f"line {i}", f"t_s {now:g} after {before:g}", "times must ascend"
            )
    return Profile(path, values[:, 0] - values[0, 0], values[:, 1], repeat)


def _numbers(path: Path, line: int, row: list[str], header: list[str]) -> tuple[float, float]:
    if len(row) != len(header):
        raise InputError(
            path,
            f"line {line}",
            f"has {len(row)} cell{'s' if len(row) > 1 else ''}",
            f"the header has {len(header)}: complete the line or take it out; decimals have a "
            "point, not a comma",
        )
    t_s, power_W = (_number(path, line, name, row[header.index(name)].strip()) for name in COLUMNS)
    return t_s, power_W


def _number(path: Path, line: int, column: str, cell: str) -> float:
    number = float(cell) if NUMBER.fullmatch(cell) else math.nan
    most = _LARGEST[column]
    least = 0.0 if column == "power_W" else -most
    if not least <= number <= most:
        raise InputError(
            path,
            f"line {line}, {column}",
            f"{cell[:40]!r} will not do",
            f"a number with a decimal point, {least:g} to {most:g}",
        )
    return number
