"""The run folder as it is written: light to import, because the logger starts with it.

    readings.csv    one row per scan, appended as it comes
    run.json        written once at the start
    events.jsonl    appended
    <results>       written whole: temporary file, then rename

`fit.records.run` reads it back.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import re
import shutil
import threading
import uuid
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from io import FileIO
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

from fit.errors import RecordError
from fit.records.appended import take_off_torn_line, write_whole
from fit.records.file_lock import claim

SCHEMA = "heatrun.run/1"
READINGS, EVENTS, DOCUMENT = "readings.csv", "events.jsonl", "run.json"
TIME_OF_IMPORT = "the time of the import"  # where `started` came from when no stamp tells it
SYNC_EVERY_S = 0.5


def default_folder(label: str, started: datetime, parent: Path = Path("runs")) -> Path:
    """`runs/<UTC start>_<label>`, the label reduced to what every file system takes.

    Args:
        label: the user's words.
        started: start of the record, with its time zone.
        parent: folder of all runs.
    """
    stamp = started.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
    slug = re.sub(r"[^\w.-]+", "-", label.strip().lower()).strip("-.") or "run"
    return parent / f"{stamp}_{slug[:60]}"


def run_document(
    label: str,
    nodes: Sequence[str],
    started: datetime,
    *,
    sensors: Mapping[str, object] | None = None,
    rig: Mapping[str, object] | None = None,
    budget: Mapping[str, object] | None = None,
    power_unit: str = "W",
    **more: object,
) -> dict[str, object]:
    """run.json of a new run.

    Args:
        label: the user's words.
        nodes: names of the thermocouples' nodes, in the order of the columns.
        started: start of the record, with its time zone.
        sensors: node -> what reads it.
        rig: rig.toml as read.
        budget: budget.toml as read.
        power_unit: unit of the power column.
        more: further keys.
    """
    return {
        "schema": SCHEMA,
        "id": uuid.uuid4().hex,
        "started": started.astimezone(UTC).isoformat().replace("+00:00", "Z"),
        "label": label,
        "nodes": list(nodes),
        "sensors": dict(sensors or {}),
        "rig": rig,
        "budget": budget,
        "power_unit": power_unit,
        "software": software(),
        **more,
    }


def software() -> str:
    """Name and version of this program."""
    try:
        return f"heatrun {version('heatrun')}"
    except PackageNotFoundError:
        return "heatrun (not installed)"


def write_result(folder: Path, name: str, document: Mapping[str, object] | str) -> Path:
    """Write a result whole, replacing an earlier one: temporary file, sync, rename.

    Args:
        folder: the run folder.
        name: file name, such as "fit.json".
        document: an object for JSON (numbers that are not finite become null), or text as it is.
    Returns:
        The file written.
    Raises:
        RecordError: the folder cannot be written.
    """
    text = document if isinstance(document, str) else to_json(document, indent=2) + "\n"
    data = text.encode(errors="backslashreplace")  # before there is a file to be left behind
    target = folder / name
    temporary = folder / f".{name}.{uuid.uuid4().hex[:8]}.tmp"
    try:
        with temporary.open("xb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        temporary.replace(target)
    except OSError as error:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise RecordError(
            target, "", f"cannot be written ({error.strerror})", "see that its folder takes it"
        ) from error
    return target


def to_json(value: object, indent: int | None = None) -> str:
    """JSON text in which every number is finite: NaN and infinities become null."""
    return json.dumps(_finite(value), indent=indent, ensure_ascii=False, allow_nan=False)


def _finite(value: object) -> object:
    if isinstance(value, Mapping):
        return {str(key): _finite(item) for key, item in value.items()}
    if isinstance(value, str | bool | int | None):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if hasattr(value, "tolist"):  # numpy arrays and scalars, without importing numpy
        return _finite(value.tolist())
    if isinstance(value, Sequence | set | frozenset):
        return [_finite(item) for item in value]
    return str(value)


class RunWriter:
    """Appends scans and events to a run folder; nothing written is ever written again.

    Each line has reached the operating system when `append_scan` or `append_event` returns: the
    death of this program loses none. Against a power cut, a thread of its own syncs the files to
    the disk, at once after an event and else at least once a second, so that a slow disk never
    holds up the scans.

    >>> import tempfile
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
        _make_folder(folder)
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
                "bad_line",
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
            event: power_on, power_off, gap, reconnect, bad_line, guard, operator, stop, ...
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


def not_created(folder: Path, error: OSError, place: str = "") -> RecordError:
    """The complaint about a folder that cannot be made."""
    return RecordError(
        folder, place, f"cannot be created ({error.strerror})", "name a folder you may create"
    )


def _make_folder(folder: Path) -> None:
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError) as error:
        raise RecordError(
            folder, "", "cannot be created in a file", "name a folder for it"
        ) from error
    except OSError as error:
        raise not_created(folder, error) from error
    try:
        folder.mkdir()
    except FileExistsError as error:
        raise RecordError(
            folder, "", "exists already", "a run never writes over another: name a new folder"
        ) from error
    except OSError as error:
        raise not_created(folder, error) from error


def _cell(value: float | None) -> str:
    return repr(float(value)) if value is not None and math.isfinite(value) else ""
