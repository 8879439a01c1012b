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
            writer.writerows({key: harmless(cell) for key, cell in row.items()} for row in rows)
    except OSError as error:
        raise RecordError(
            file, "", f"cannot be written ({error.strerror})", "name a file you may write"
        ) from error


def harmless(cell: object) -> object:
    """A text that a spreadsheet would run as a formula, with an apostrophe before it (CWE-1236).

    Args:
        cell: of a table.

    Returns:
        The cell as it is written.
    """
    if isinstance(cell, str | Path):
        text = str(cell)
        if text.lstrip("'").startswith(FORMULA) and not NUMBER.fullmatch(text):
            return f"'{text}"
    return cell


def as_written(text: str) -> str:
    """A cell without the apostrophe that `harmless` put before it.

    Args:
        text: of the cell.

    Returns:
        What was to be written.

    >>> as_written(str(harmless("=1+1"))), as_written("'quoted'")
    ('=1+1', "'quoted'")
    """
    return text[1:] if text.startswith("'") and text.lstrip("'").startswith(FORMULA) else text
