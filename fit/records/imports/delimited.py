"""Any logger's delimited text file: encoding, delimiter, header and decimal mark found or stated.

Everything is found from the columns that were asked for: the delimiter is the one under which they
are there, the header is the line that names them, the data begin where they are numbers.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fit.errors import RecordError
from fit.records.imports.encoding import decode
from fit.records.imports.units import stated_units

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

DELIMITERS = (";", "\t", "|", ",", " ")
"""In the order they are tried: a comma may be a decimal mark, a blank may stand in a name."""

SAMPLE_LINES = 200  # beyond any header that loggers write, and enough rows to tell a form. Ours
MISSING = ("", "nan", "na", "n/a", "#n/a", "null", "none")
OPEN = ("ol", "-ol", "+ol", "open", "open tc", "open circuit", "ovld", "overload", "over range")
"""Words of loggers for an input that is open or out of its range (common practice)."""
IN_BRACKETS = re.compile(r"\s*[\[(][^\[\]()]*[\])]$")
NUMBER = re.compile(r"[+-]?(\d+[.,]?\d*|[.,]\d+)([eE][+-]?\d+)?", re.ASCII)


class ColumnError(RecordError):
    """A column asked for that the file does not have."""


@dataclass(frozen=True)
class Format:
    """What the user stated of a file; None = found from the file."""

    delimiter: str | None = None
    decimal: str | None = None
    encoding: str | None = None
    skip_lines: int = 0
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Table:
    """The columns asked for, as text, with where each row stands in the file."""

    path: Path
    cells: pd.DataFrame  # one column per column asked for, in that order
    titles: tuple[str, ...]  # what the header calls them, or "column N"
    units: tuple[str, ...]  # what the file says their units are, "" where it says nothing
    line_numbers: NDArray[np.intp]  # (rows,)
    short: NDArray[np.bool_]  # rows that end before the last column asked for, (rows,)
    by_number: bool  # the columns were given by number
    format: Format  # complete
    left_out: tuple[str, ...] = ()

    def place(self, row: int, column: int) -> str:
        """Where a cell stands, for a message."""
        return f"line {self.line_numbers[row]}, {self.titles[column]}"

    def cell(self, row: int, column: int) -> str:
        """A cell's text, for a message."""
        return str(self.cells.iloc[row, column]).strip()[:40]


def read_table(path: Path, wanted: Sequence[str], stated: Format) -> Table:
    """Read the columns asked for.

    Args:
        path: the file.
        wanted: columns by name in the header, or by number counted from 1.
        stated: what is known of the file's form.
    Returns:
        The table; blank lines are passed over.
    Raises:
        ColumnError: a column that is not there.
        RecordError: not a text file.
    """
    text, encoding = decode(path, stated.encoding)
    lines = text.split("\n", stated.skip_lines + SAMPLE_LINES)[: stated.skip_lines + SAMPLE_LINES]
    sample = [(n, line) for n, line in enumerate(lines, 1) if n > stated.skip_lines]
    delimiter, header, indices = _find_columns(path, sample, wanted, stated.delimiter)
    titles = _titles(sample, header, indices, delimiter)
    first, line_of_units = _first_data_line(sample, header, indices, delimiter)
    title_row, unit_row = (
        split_line(dict(sample)[line], delimiter) if line else []
        for line in (header, line_of_units)
    )
    units = stated_units(title_row, unit_row, indices)
    left_out = _before_the_readings(sample, header or first, line_of_units)
    body = text.split("\n", first - 1)[-1]
    cells, line_numbers, short = _cells(path, body, first, indices, delimiter)
    decimal = stated.decimal or _find_decimal(cells, body, delimiter)
    complete = Format(delimiter, decimal, encoding, stated.skip_lines, stated.missing)
    by_number = header is None
    return Table(path, cells, titles, units, line_numbers, short, by_number, complete, left_out)


def _before_the_readings(
    sample: Sequence[tuple[int, str]], begin: int, units: int | None
) -> tuple[str, ...]:
    """What stands before the header, or before readings without one, and the line of units."""
    before = [number for number, line in sample if number < begin and line.strip()]
    said = [f"line {units}: units, not readings"] if units else []
    if before:
        lines = f"line {before[0]}" if len(before) == 1 else f"lines {before[0]} to {before[-1]}"
        said.insert(0, f"{lines}: before the readings")
    return tuple(said)


def numbers(table: Table, column: int) -> tuple[Array, NDArray[np.bool_]]:
    """A column as numbers.

    Args:
        table: as read.
        column: its place among the columns asked for.
    Returns:
        Values (rows,) with NaN where there is none, and where the cell is neither a number nor a
        missing reading (rows,).
    """
    import pandas as pd

    cells = table.cells.iloc[:, column]
    if table.format.decimal == ",":
        cells = cells.str.replace(",", ".", regex=False)
    values = pd.to_numeric(cells, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    values = np.array(values)
    missing = {word.lower() for word in (*MISSING, *OPEN, *table.format.missing)}
    bad = np.zeros(len(values), dtype=bool)
    texts = table.cells.iloc[:, column].to_numpy(dtype=object)
    for row in np.flatnonzero(~np.isfinite(values)):
        cell = texts[row]
        values[row] = np.nan
        if isinstance(cell, str) and cell.strip().lower() not in missing:
            number = cell.strip().replace(table.format.decimal or ".", ".")
            bad[row] = not NUMBER.fullmatch(number) or "," in number
            values[row] = np.nan if bad[row] else float(number)
    for word in table.format.missing:
        if NUMBER.fullmatch(word):
            values[values == float(word.replace(",", "."))] = np.nan
    return values, bad


def open_inputs(table: Table, column: int, rows: NDArray[np.intp]) -> list[str]:
    """How many readings are missing because the input was open, in a sentence, if any.

    Args:
        table: as read.
        column: its place among the columns asked for.
        rows: kept (kept,).

    Returns:
        One sentence, or none.
    """
    cells = table.cells.iloc[rows, column].str.strip()
    said = cells[cells.str.lower().isin(OPEN)]
    if said.empty:
        return []
    count = f"{len(said)} cell{'s' if len(said) > 1 else ''}"
    return [f"{count} {said.iloc[0]!r} of {table.titles[column]}: no reading"]


def split_line(line: str, delimiter: str) -> list[str]:
    """Cells of one line, blanks around them off."""
    if delimiter == " ":
        return line.split()
    try:
        row = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        row = line.split(delimiter)
    return [cell.strip() for cell in row]


def _find_columns(
    path: Path, sample: Sequence[tuple[int, str]], wanted: Sequence[str], stated: str | None
) -> tuple[str, int | None, list[int]]:
    """Delimiter, line of the header (None when columns are given by number), places of columns."""
    candidates = (stated,) if stated else DELIMITERS
    by_number = all(map(_is_number, wanted))
    for place_of in (_place,) if by_number else (_place, _place_or_number):
        for delimiter in candidates:
            for number, line in sample:
                cells = split_line(line, delimiter)
                places = [place_of(cells, name) for name in wanted]
                found = [place for place in places if place is not None]
                if len(found) == len(wanted):
                    _refuse_repeated(path, number, cells, found)
                    return delimiter, number, found
    if by_number:
        places_by_number = [int(name) - 1 for name in wanted]
        for delimiter in candidates:
            rows = [split_line(line, delimiter) for _, line in sample if line.strip()]
            if min(places_by_number) >= 0 and _mostly_numbers(rows, places_by_number):
                return delimiter, None, places_by_number
    raise _no_such_column(path, sample, wanted, candidates)


def _refuse_repeated(path: Path, line: int, cells: Sequence[str], places: Sequence[int]) -> None:
    for place in places:
        same = [i for i, cell in enumerate(cells, 1) if cell == cells[place]]
        if len(same) > 1:
            raise RecordError(
                path,
                f"line {line}",
                f"column {cells[place]!r} stands {len(same)} times",
                f"give all columns by number; it is {' and '.join(map(str, same))}",
            )


def _place(cells: Sequence[str], name: str) -> int | None:
    """Place of a named column; upper and lower case, a unit in brackets: only where they must."""
    name = name.strip()
    if name in cells:
        return cells.index(name)
    folded = [cell.casefold() for cell in cells]
    for names in (folded, [IN_BRACKETS.sub("", cell) for cell in folded]):
        if names.count(name.casefold()) == 1:
            return names.index(name.casefold())
    return None


def _is_number(name: str) -> bool:
    return bool(re.fullmatch(r"\d+", name, re.ASCII))


def _place_or_number(cells: Sequence[str], name: str) -> int | None:
    """Place of a column that is named, or else counted from 1, in a line that is the header."""
    place = _place(cells, name)
    if place is None and _is_number(name) and 0 < int(name) <= len(cells):
        return int(name) - 1
    return place


def _mostly_numbers(rows: Sequence[Sequence[str]], places: Sequence[int]) -> bool:
    """Whether these places hold data in most of the last lines of the sample."""
    last = rows[len(rows) // 2 :]
    good = sum(
        len(row) > max(places) and all(_has_digit_only_form(row[place]) for place in places)
        for row in last
    )
    return good > 0 and 2 * good >= len(last)


def _has_digit_only_form(cell: str) -> bool:
    """A number, a missing reading or a time stamp."""
    return (
        cell.lower() in MISSING
        or bool(NUMBER.fullmatch(cell))
        or bool(re.match(r"\d{1,4}[-/.:]\d", cell))
    )


def _no_such_column(
    path: Path,
    sample: Sequence[tuple[int, str]],
    wanted: Sequence[str],
    candidates: Iterable[str],
) -> ColumnError:
    """The message that shows which columns there are."""
    rows = [
        (number, split_line(line, delimiter))
        for delimiter in candidates
        for number, line in sample
        if line.strip()
    ]
    by_name = [name for name in wanted if not _is_number(name)]
    number, cells = max(
        rows,
        key=lambda row: (
            sum(_place(row[1], name) is not None for name in by_name),
            min(len(row[1]), 50),
            -row[0],
        ),
        default=(1, []),
    )
    missing = [name for name in by_name if _place(cells, name) is None] or [
        name for name in wanted if _is_number(name) and not 0 < int(name) <= len(cells)
    ]
    there = ", ".join(cell or f"(column {i})" for i, cell in enumerate(cells, 1))[:160]
    if not missing:
        return ColumnError(
            path, "", f"no readings in column {', '.join(wanted)}", "state --delimiter or --skip"
        )
    return ColumnError(
        path,
        f"line {number}",
        f"no column {missing[0]!r}",
        f"there are: {there} (or give numbers, 1 to {len(cells)})",
    )


def _titles(
    sample: Sequence[tuple[int, str]],
    header: int | None,
    indices: Sequence[int],
    delimiter: str,
) -> tuple[str, ...]:
    if header is None:
        return tuple(f"column {index + 1}" for index in indices)
    cells = split_line(dict(sample)[header], delimiter)
    return tuple(f"column {cells[index]!r}" for index in indices)


def _first_data_line(
    sample: Sequence[tuple[int, str]],
    header: int | None,
    indices: Sequence[int],
    delimiter: str,
) -> tuple[int, int | None]:
    """Number of the line where readings begin, and of a line of units before it."""

    def of(line: str) -> list[str]:
        cells = split_line(line, delimiter)
        return [cells[index] for index in indices] if len(cells) > max(indices) else []

    if header is None:
        for number, line in sample:
            if (cells := of(line)) and all(map(_has_digit_only_form, cells)):
                return number, None
    assert header is not None, "columns by number were found on a line of numbers"
    for number, line in sample:
        if number > header and line.strip():
            cells = of(line)
            words = [cell for cell in cells if cell.lower() not in MISSING]
            # A reading has digits in its time at least; a column without a unit has an empty cell.
            if words and not any(re.search(r"\d", cell) for cell in cells):
                return number + 1, number
            break
    return header + 1, None


def _cells(
    path: Path, body: str, first: int, indices: Sequence[int], delimiter: str
) -> tuple[pd.DataFrame, NDArray[np.intp], NDArray[np.bool_]]:
    """The columns as text, the line of each row, short rows; blank lines are passed over."""
    import pandas as pd

    lines = body.split("\n")
    filled = [i for i, line in enumerate(lines) if line and not line.isspace()]
    if not filled:
        raise RecordError(path, "", "holds no reading", "lines of readings are expected")
    if len(filled) < len(lines):
        lines = [lines[i] for i in filled]
        body = "\n".join(lines)
    widths = np.array(
        [
            len(split_line(line, delimiter))
            if '"' in line or delimiter == " "
            else line.count(delimiter) + 1
            for line in lines
        ]
    )
    needed = max(indices) + 1
    try:
        frame = pd.read_csv(
            io.StringIO(body),
            sep=r"\s+" if delimiter == " " else delimiter,
            header=None,
            names=range(max(needed, int(widths.max()))),
            usecols=sorted(set(indices)),
            index_col=False,
            dtype=object,
            keep_default_na=False,
            na_values=[],
            skipinitialspace=True,
            skip_blank_lines=False,
        )
    except ValueError as error:
        raise RecordError(path, "", f"cannot be split into columns ({error})") from error
    if len(frame) != len(filled):
        raise RecordError(
            path, "", "a quoted cell runs over several lines", "one line per reading is expected"
        )
    cells = pd.concat([frame[index] for index in indices], axis=1)
    return cells, np.array(filled, dtype=np.intp) + first, widths < needed


def _find_decimal(cells: pd.DataFrame, body: str, delimiter: str) -> str:
    """A comma where numbers have commas and none has a point."""
    if "," not in body or (delimiter == "," and '"' not in body):
        return "."
    text = "\n".join("\n".join(column.dropna()) for _, column in cells.items())
    comma, point = (
        re.search(rf"^\s*[+-]?\d*{mark}\d+\s*$", text, re.MULTILINE) for mark in (",", r"\.")
    )
    return "," if comma and not point else "."
