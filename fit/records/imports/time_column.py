"""The time column of another logger's file: numbers or stamps made seconds, and rows in order."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fit.errors import RecordError
from fit.records.imports.delimited import Array, Table, numbers
from fit.records.imports.units import time_unit
from fit.records.metadata import TIME_OF_IMPORT

if TYPE_CHECKING:
    import pandas as pd

SECONDS = {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0}  # SI and the units used beside it
DAY_S = 86400.0  # SI brochure, table 8
TIME_OF_DAY = re.compile(r"\s*(\d{1,3}):(\d\d)(?::(\d\d(?:[.,]\d*)?))?\s*", re.ASCII)
STAMP = re.compile(r"\s*\d{4}-\d\d-\d\d")
UNSAID = "s, as no --time-unit says otherwise"
ZONE = re.compile(r"(Z|[+-]\d\d:?(\d\d)?)\s*$")


@dataclass(frozen=True, eq=False)
class Clock:
    """The time column: seconds from the first reading, and what is known of its beginning."""

    t_s: Array  # (rows,), NaN where there is no time
    source: str  # what `started` was taken from
    unit: str  # as understood
    started: datetime | None = None


def read_clock(
    table: Table, columns: int, unit: str | None = None, time_format: str | None = None
) -> Clock:
    """The clock of a table whose first column, or first two, hold the time.

    Args:
        table: as asked for, the time first.
        columns: 1, or 2 for a date and a time of day.
        unit: s, ms, min, h or iso. When None: iso for stamps and times of day, else what the file
            says, else s.
        time_format: of stamps that are not ISO 8601, as strptime has it.

    Raises:
        RecordError: stamps that are said to be numbers, or a form that is none.
    """
    texts = table.cells.iloc[:, 0]
    if columns == 2:
        texts = texts.str.strip() + " " + table.cells.iloc[:, 1].str.strip()
    first = next((text for text in texts if isinstance(text, str) and text.strip()), "")
    if unit in (None, "iso") and TIME_OF_DAY.fullmatch(first):
        return _read_times_of_day(texts)
    in_file = time_unit(table.units[0])
    shown = unit or (f"{in_file}, as the file says" if in_file else UNSAID)
    if unit is None:
        unit = "iso" if time_format or STAMP.match(first) else in_file or "s"
    if unit == "iso":
        return _read_stamps(texts, time_format, first)
    values, bad = numbers(table, 0)
    if bad[0] and STAMP.match(first):
        raise RecordError(
            table.path, table.place(0, 0), f"{first!r} is a stamp", "say --time-unit iso"
        )
    values[bad] = np.nan
    start = values[int(np.argmin(np.isnan(values)))]
    return Clock(np.round((values - start) * SECONDS[unit], 9), TIME_OF_IMPORT, shown)


def _read_times_of_day(texts: pd.Series) -> Clock:
    """Times of day, or elapsed hours, without a date; a new day where they fall by half of one."""
    parts = texts.str.extract(rf"^{TIME_OF_DAY.pattern}$")
    hours, minutes, seconds = (
        parts[i].str.replace(",", ".", regex=False).astype(float) for i in range(3)
    )
    t_s = (3600 * hours + 60 * minutes + seconds.fillna(0.0)).to_numpy(dtype=float, copy=True)
    known = np.flatnonzero(~np.isnan(t_s))
    # A lesser step back is no midnight: it is refused with the rows that are out of order.
    midnights = np.cumsum(np.diff(t_s[known], prepend=t_s[known[0]]) < -DAY_S / 2)
    t_s[known] += DAY_S * midnights
    passed = f", midnight passed {midnights[-1]} times" if midnights[-1] > 1 else ""
    passed = ", midnight passed once" if midnights[-1] == 1 else passed
    shown = f"time of day, hours:minutes:seconds{passed}"
    return Clock(np.round(t_s - t_s[known[0]], 9), TIME_OF_IMPORT, shown)


def _read_stamps(texts: pd.Series, time_format: str | None, first: str) -> Clock:
    import pandas as pd

    if not time_format:
        texts = texts.str.strip().str.replace(",", ".", regex=False)
    try:
        stamps = pd.to_datetime(texts, format=time_format or "ISO8601", errors="coerce", utc=True)
    except ValueError as error:
        raise RecordError(
            "--time-format",
            "",
            f"{time_format!r} is no form of a time ({error})",
            "write it as '%d.%m.%Y %H:%M:%S'",
        ) from error
    bad = stamps.isna().to_numpy()
    if bad.all():
        return Clock(np.full(len(bad), np.nan), "", "stamps")
    start = stamps.iloc[int(np.argmin(bad))]
    t_s = (stamps - start).dt.total_seconds().to_numpy(dtype=float)
    source = "the stamps" if ZONE.search(first) else "stamps without a time zone, taken as UTC"
    return Clock(np.round(t_s, 9), source, "stamps", start.to_pydatetime())


def rows_to_keep(table: Table, clock: Clock) -> tuple[NDArray[np.intp], list[str]]:
    """Rows of strictly increasing time, (kept,), and what was left out.

    Lines at the end that are no readings (a footer, a torn line) and repeated stamps are left out;
    anything else that is out of order is refused.
    """
    t_s, is_stamp = clock.t_s, clock.source != TIME_OF_IMPORT
    short = table.short
    good = ~np.isnan(t_s) & ~short
    left_out = list(table.left_out)
    if not good.any():
        raise _no_time(table, 0, is_stamp) if not short[0] else _short_line(table, 0)
    end = len(good) - int(np.argmax(good[::-1]))
    if not good[:end].all():
        row = int(np.argmin(good[:end]))
        raise _short_line(table, row) if short[row] else _no_time(table, row, is_stamp)
    if end < len(good):
        first, last = table.line_numbers[end], table.line_numbers[-1]
        which = f"line {first}" if first == last else f"lines {first} to {last}"
        left_out.append(f"{which}: at the end of the file, no reading")
    step = np.diff(t_s[:end], prepend=-np.inf)
    if (step < 0).any():
        row = int(np.argmax(step < 0))
        raise RecordError(
            table.path,
            table.place(row, 0),
            f"time runs backwards, by {-step[row]:.10g} s",
            "time increases from line to line: split the file there",
        )
    rows = np.flatnonzero(step > 0)
    if repeated := end - len(rows):
        left_out.append(f"{repeated} line{'s' if repeated > 1 else ''} with a repeated time stamp")
    return rows, left_out


def _short_line(table: Table, row: int) -> RecordError:
    return RecordError(
        table.path,
        f"line {table.line_numbers[row]}",
        "has too few cells",
        "complete the line or take it out; --skip N passes over lines at the beginning",
    )


def _no_time(table: Table, row: int, is_stamp: bool) -> RecordError:
    cell = table.cell(row, 0)
    if is_stamp:
        problem, remedy = "is no ISO 8601 time", "state its form: --time-format '%d.%m.%Y %H:%M:%S'"
    else:
        problem, remedy = (
            "is not a number",
            "time is a number of s, ms, min or h, an ISO stamp, or say --time-format",
        )
    return RecordError(table.path, table.place(row, 0), f"{cell!r} {problem}", remedy)
