"""The run folder as it is written: light to import, because the logger starts with it.

`fit.records.run` reads it back.
"""

from __future__ import annotations

import contextlib
import math
import os
import shutil
import threading
from collections.abc import Mapping, Sequence
from io import FileIO
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

from fit.errors import RecordError
from fit.records.appended import take_off_torn_line, write_whole
from fit.records.events import EventName
from fit.records.file_lock import claim
from fit.records.results import to_json, write_result
from fit.records.run_folder import DOCUMENT, EVENTS, READINGS, make_folder, not_created

SYNC_EVERY_S = 0.5  # the contract has a second; a disk may take as long to come round


class RunWriter:
    """Appends scans and events to a run folder; nothing written is ever written again.

    Each line has reached the operating system when `append_scan` or `append_event` returns: the
    death of this program loses none. Against a power cut, a thread of its own syncs the files to
    the disk, at once after an event and else at least once a second, so that a slow disk never
    holds up the scans.

    >>> import tempfile
    >>> from datetime import UTC, datetime
    >>> from fit.records.metadata import run_document
    >>> folder = Path(tempfile.mkdtemp()) / "run"
    >>> document = run_document("pad", ["tab", "case"], datetime.now(UTC))
    >>> with RunWriter.create(folder, document, ["power_W"]) as writer:
    ...     writer.append_scan(0.0, {"tab_degC": 23.0, "case_degC": None, "power_W": 0.0})
    ...     writer.append_event(0.5, "power_on")
    >>> print((folder / "readings.csv").read_text(), end="")
    t_s,tab_degC,case_degC,power_W
    0.0,23.0,,0.0
    """

    def __init__(
        self, folder: Path, columns: Sequence[str], readings: BinaryIO, events: FileIO
    ) -> None:
        """For `create` and `resume`."""
        self.folder = folder
        self.columns = tuple(columns)
        self.last_t_s = -math.inf
        self._readings, self._events = readings, events
        self._made: os.stat_result | None = None
        with contextlib.suppress(OSError):
            self._made = (folder / READINGS).stat()
        self._lock = threading.Lock()
        self._unsynced = False
        self._trouble: OSError | None = None
        self._due = threading.Event()
        self._closing = False
        self._thread = threading.Thread(target=self._keep_synced, name="disk sync", daemon=True)
        self._thread.start()

    @classmethod
    def create(
        cls, folder: Path, document: Mapping[str, object], power_columns: Sequence[str]
    ) -> RunWriter:
        """Start a run in a new folder.

        Args:
            folder: to create; its parents are created too.
            document: run.json, see `run_document`; its `nodes` give the temperature columns.
            power_columns: ("power_W",) or ("supply_V", "supply_A").
        Raises:
            RecordError: the folder exists or cannot be created.
        """
        nodes = document["nodes"]
        assert isinstance(nodes, list | tuple)
        columns = ["t_s", *(f"{node}_degC" for node in nodes), *power_columns]
        make_folder(folder)
        try:
            write_result(folder, DOCUMENT, document)
            readings = (folder / READINGS).open("xb")
            claim(readings)
            (folder / EVENTS).open("xb").close()
            events = _to_append(folder / EVENTS)
            readings.write((",".join(columns) + "\n").encode())
            readings.flush()
        except (OSError, UnicodeError, RecordError) as error:
            shutil.rmtree(folder, ignore_errors=True)  # made a moment ago, and nothing in it
            if isinstance(error, RecordError):
                raise
            if isinstance(error, UnicodeError):
                raise RecordError(folder, "", "its columns are no text", "rename them") from error
            raise not_created(folder, error) from error
        writer = cls(folder, columns, readings, events)
        writer.sync()
        return writer

    @classmethod
    def resume(cls, folder: Path) -> RunWriter:
        """Go on with a run whose program died. `last_t_s` is the last complete row's time [s].

        A torn last line is taken off readings.csv and kept as a bad_line event.

        Raises:
            RecordError: no such run, or its readings cannot be gone on with.
        """
        path = folder / READINGS
        try:
            readings = path.open("r+b")
        except OSError as error:
            raise RecordError(
                path, "", f"cannot be resumed ({error.strerror})", "name the folder of a run"
            ) from error
        header = readings.readline().decode("utf-8", "replace")
        columns = header.rstrip("\r\n").split(",")
        if columns[0] != "t_s" or not header.endswith("\n"):
            readings.close()
            raise RecordError(path, "line 1", "is no whole header", "it begins with t_s")
        if not claim(readings):
            readings.close()
            raise RecordError(
                path, "", "is being written by another program", "stop that one first"
            )
        last, torn = take_off_torn_line(readings)
        with (folder / EVENTS).open("a+b") as events:
            take_off_torn_line(events)
        writer = cls(folder, columns, readings, _to_append(folder / EVENTS))
        if last:
            try:
                writer.last_t_s = float(last.split(b",")[0])
            except ValueError as error:
                writer.close()
                raise RecordError(
                    path, "last line", "does not begin with a time", "mend it or start a new run"
                ) from error
        if torn:
            writer.append_event(
                max(writer.last_t_s, 0.0),
                EventName.BAD_LINE,
                file=READINGS,
                text=torn.decode("utf-8", "replace"),
            )
        return writer

    def append_scan(self, t_s: float, readings: Mapping[str, float | None]) -> None:
        """Append one row.

        Args:
            t_s: time since the start of the record [s]; later than the row before.
            readings: column name -> value in the column's unit; None, NaN or absent = missing.
        Raises:
            RecordError: time does not advance, an unknown column, or the disk does not take the row
                (full, gone).
        """
        self.check_place()
        if not t_s > self.last_t_s:
            raise RecordError(
                self.folder / READINGS, f"t_s {t_s}", f"is not later than {self.last_t_s}"
            )
        if unknown := readings.keys() - set(self.columns):
            raise RecordError(
                self.folder / READINGS, "", f"has no column {', '.join(sorted(unknown))}"
            )
        cells = [_cell(t_s), *(_cell(readings.get(name)) for name in self.columns[1:])]
        self._append(self._readings, ",".join(cells))
        self.last_t_s = t_s

    @property
    def events_path(self) -> Path:
        """Where the events go, for who must add one after this program's death."""
        return self.folder / EVENTS

    def check_place(self) -> None:
        """Raises RecordError where the folder is no longer where it was made.

        What is open is still written: of a folder that was moved nothing is lost.
        """
        path = self.folder / READINGS
        if self._made is None:
            return
        try:
            there = os.path.samestat(path.stat(), self._made)
        except OSError:
            there = False
        if not there:
            raise RecordError(
                path, "", "was deleted, moved or replaced while it is written", "leave it there"
            )

    def append_event(self, t_s: float, event: str, **details: object) -> None:
        """Append one line to events.jsonl, and have both files synced without waiting for it.

        Args:
            t_s: time since the start of the record [s].
            event: an EventName.
            details: further keys of the line.
        Raises:
            RecordError: the disk does not take the line.
        """
        self._append(self._events, to_json({"t_s": t_s, "event": event, **details}))
        self._due.set()

    def sync(self) -> None:
        """Have everything appended so far on the disk.

        Raises:
            RecordError: the disk does not take it.
        """
        try:
            self._sync()
        except OSError as error:
            raise RecordError(self.folder, "", f"cannot be synced ({error.strerror})") from error

    def close(self) -> None:
        """Sync and close both files. Closing twice does nothing.

        Raises:
            RecordError: the disk did not take everything.
        """
        if self._closing:
            return
        self._closing = True
        self._due.set()
        self._thread.join()
        try:
            if self._trouble is not None:
                raise self._trouble
            self._sync()
        except OSError as error:
            raise RecordError(self.folder, "", f"cannot be synced ({error.strerror})") from error
        finally:
            for stream in (self._readings, self._events):
                with contextlib.suppress(OSError):
                    stream.close()

    def __enter__(self) -> RunWriter:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _append(self, stream: BinaryIO | FileIO, line: str) -> None:
        try:
            if self._trouble is not None:
                raise self._trouble
            data = line.encode() + b"\n"
            if stream is self._events:
                write_whole(stream.fileno(), data)
            else:
                stream.write(data)
                stream.flush()
        except OSError as error:
            raise RecordError(
                stream.name, "", f"the disk does not take more ({error.strerror})"
            ) from error
        self._unsynced = True

    def _sync(self) -> None:
        with self._lock:
            self._unsynced = False
            os.fsync(self._readings.fileno())
            os.fsync(self._events.fileno())

    def _keep_synced(self) -> None:
        while not self._closing:
            self._due.wait(SYNC_EVERY_S)
            self._due.clear()
            if self._unsynced and not self._closing:
                try:
                    self._sync()
                except OSError as error:
                    self._trouble = error
                    return


def _to_append(events: Path) -> FileIO:
    """Without a buffer: each event is one write at the end, wherever others have written."""
    return FileIO(events, "ab")


def _cell(value: float | None) -> str:
    return repr(float(value)) if value is not None and math.isfinite(value) else ""
