"""A CSV table that grows by a few rows at a time, and is whole however its writing ends.

The rows of one key are appended in one write and are on the disk when `append` returns. Each says
how many they are (column `rows`), so that a torn end is seen when writing goes on.
"""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

from fit.errors import RecordError
from fit.records.appended import write_whole
from fit.records.csv_export import as_written, harmless, refuse_existing
from fit.records.file_lock import claim
from fit.records.results import not_written, put_whole

ROWS = "rows"
"""Column that says how many rows their key has."""

PATHS = "surrogateescape"  # as os.fsdecode: a file's name that is no UTF-8 comes back as it was
_NO_BYTE = re.compile("[\ud800-\udc7f\udd00-\udfff]")

Row = Mapping[str, str]
Group = tuple[Row, ...]


class GrowingTable:
    """A table open for more; a context manager."""

    def __init__(self, file: Path, columns: Sequence[str], stream: BinaryIO) -> None:
        self._file, self._columns, self._stream = file, tuple(columns), stream

    @classmethod
    def create(cls, file: Path, columns: Sequence[str]) -> GrowingTable:
        """Begin a new table.

        Args:
            file: to be made.
            columns: their names; `rows` is one of them.

        Raises:
            RecordError: the file exists or cannot be written.
        """
        refuse_existing(file)
        try:
            file.open("xb").close()
            table = cls(file, columns, _claimed(file))
        except OSError as error:
            raise not_written(file, error) from error
        table._write(_text(columns, [dict(zip(columns, columns, strict=True))]))
        return table

    @classmethod
    def go_on(
        cls, file: Path, columns: Sequence[str], key: str, keep: Callable[[str, Group], bool]
    ) -> tuple[GrowingTable, dict[str, Group]]:
        """Go on with a table, after an interrupt too.

        Rows whose key lacks some of its own, and those that are not wanted, are taken out; the file
        is then replaced whole.

        Args:
            file: a table as `create` made it; it is begun where there is none.
            columns: their names.
            key: column that rows of one key have alike.
            keep: whether the rows of a key are still wanted.

        Returns:
            The table, and the rows that it keeps by their key.

        Raises:
            RecordError: it is another table, or another program writes to it.
        """
        if not file.exists():
            return cls.create(file, columns), {}
        try:
            stream = _claimed(file)
            stream.seek(0)
            data = stream.read()
        except OSError as error:
            raise not_written(file, error) from error
        kept = {
            name: group
            for name, group in _whole_groups(file, data, columns, key).items()
            if keep(name, group)
        }
        whole = _text(columns, [dict(zip(columns, columns, strict=True)), *_rows(kept)])
        if whole != data:
            put_whole(file, whole)
            stream.close()
            stream = _claimed(file)
        return cls(file, columns, stream), kept

    def append(self, rows: Sequence[Mapping[str, object]]) -> None:
        """Append the rows of one key, and have them on the disk.

        Args:
            rows: of it, all at once.

        Raises:
            RecordError: the disk does not take them.
        """
        self._write(_text(self._columns, [{**row, ROWS: len(rows)} for row in rows]))

    def _write(self, data: bytes) -> None:
        try:
            write_whole(self._stream.fileno(), data)
            os.fsync(self._stream.fileno())
        except OSError as error:
            raise not_written(self._file, error) from error

    def close(self) -> None:
        """Let another program write to it."""
        self._stream.close()

    def __enter__(self) -> GrowingTable:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stream.close()


def _claimed(file: Path) -> BinaryIO:
    stream = file.open("a+b", buffering=0)
    if not claim(stream):
        stream.close()
        raise RecordError(file, "", "another program is writing to it", "let it end, or stop it")
    return stream


def _whole_groups(file: Path, data: bytes, columns: Sequence[str], key: str) -> dict[str, Group]:
    """Rows by key, of every key that has all of its own."""
    text = data.decode(errors=PATHS)
    try:
        head, *rows = csv.reader(io.StringIO(text, newline="")) if text else [list(columns)]
    except csv.Error:
        head, rows = [], []
    if tuple(head) != tuple(columns):
        raise RecordError(
            file, "line 1", "is no table that can be gone on with", "name one that --table began"
        )
    groups: dict[str, list[Row]] = {}
    for cells in rows:
        if len(cells) == len(columns):
            row = dict(zip(columns, map(as_written, cells), strict=True))
            groups.setdefault(row[key], []).append(row)
    return {
        name: tuple(group)
        for name, group in groups.items()
        if all(row[ROWS] == str(len(group)) for row in group)
    }


def _rows(groups: Mapping[str, Group]) -> Iterable[Row]:
    return (row for group in groups.values() for row in group)


def _text(columns: Sequence[str], rows: Iterable[Mapping[str, object]]) -> bytes:
    stream = io.StringIO(newline="")
    writer = csv.DictWriter(stream, columns, lineterminator="\n")
    writer.writerows({name: harmless(cell) for name, cell in row.items()} for row in rows)
    return _NO_BYTE.sub("?", stream.getvalue()).encode(errors=PATHS)
