"""A table for other programs, as a new CSV file: nothing is written over."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from fit.errors import RecordError
from fit.records.readings_table import NUMBER

FORMULA = ("=", "+", "-", "@", "\t", "\r")


def refuse_existing(file: Path) -> None:
    """Raise RecordError where a new file would write over another, or has no folder to be in."""
    if file.exists():
        raise RecordError(file, "", "exists already", "name a new file: nothing is written over")
    if not file.parent.is_dir():
        raise RecordError(file, "", f"there is no folder {file.parent}", "create it first")


def write_csv(file: Path, columns: Sequence[str], rows: Iterable[Mapping[str, object]]) -> None:
    """Write rows under a line of column names; what a row does not have is left empty.

    Raises:
        RecordError: the file exists or cannot be written.
    """
    refuse_existing(file)
    try:
        with file.open("x", newline="", encoding="utf-8") as stream:
            writer = csv.DictWriter(stream, columns, lineterminator="\n")
            writer.writeheader()
            writer.writerows({key: _harmless(cell) for key, cell in row.items()} for row in rows)
    except OSError as error:
        raise RecordError(
            file, "", f"cannot be written ({error.strerror})", "name a file you may write"
        ) from error


def _harmless(cell: object) -> object:
    """A text that a spreadsheet would run as a formula, with an apostrophe before it (CWE-1236)."""
    if isinstance(cell, str | Path):
        text = str(cell)
        if text.startswith(FORMULA) and not NUMBER.fullmatch(text):
            return f"'{text}"
    return cell
