"""A run folder followed while somebody else writes it: read only, only what is new each time."""

from __future__ import annotations

import os
import stat
import time
from dataclasses import dataclass, field
from math import prod
from pathlib import Path

import numpy as np

from fit.errors import RecordError
from fit.records.events import Event, EventName, event_from, last_event
from fit.records.metadata import NOT_KNOWN, RunMetadata, read_metadata
from fit.records.off_path import places
from fit.records.run import Array, Run
from fit.records.run_folder import DOCUMENT, EVENTS, READINGS
from fit.records.source_columns import power_columns

POWER_PRESENT = 0.02  # of the largest power seen: a supply's reading strays less at zero. Ours
MADE_WITHIN_S = 1.0  # a logger makes its folder and the record in it in milliseconds
LARGEST_BITE = 8_000_000
"""Bytes read at most at a time [B]: a long record is taken in over several looks."""


@dataclass(eq=False)
class Tail:
    """The whole lines that a growing file has gained since the last look."""

    path: Path
    position: int = 0
    identity: tuple[int, int] | None = None
    rest: bytes = b""
    restarted: bool = False

    def new_lines(self) -> list[bytes]:
        """Whole lines not seen before; all of them again where the file was replaced or cut."""
        try:
            if not stat.S_ISREG(self.path.stat().st_mode):
                return []
            with self.path.open("rb") as stream:
                status = os.fstat(stream.fileno())
                identity = (status.st_dev, status.st_ino)
                self.restarted = self.identity is not None and (
                    identity != self.identity or status.st_size < self.position
                )
                if self.restarted:
                    self.position, self.rest = 0, b""
                self.identity = identity
                stream.seek(self.position)
                bite = stream.read(LARGEST_BITE)
        except OSError:
            return []
        self.position += len(bite)
        *lines, self.rest = (self.rest + bite).split(b"\n")
        return lines


@dataclass(eq=False)
class Columns:
    """Rows of numbers that grow, without copying what is there at every look."""

    width: int
    length: int = 0
    store: Array = field(init=False)

    def __post_init__(self) -> None:
        self.store = np.empty((1024, self.width))

    def extend(self, rows: Array) -> None:
        """Add rows (k, width)."""
        wanted = self.length + len(rows)
        if wanted > len(self.store):
            grown = np.empty((max(wanted, 2 * len(self.store)), self.width))
            grown[: self.length] = self.store[: self.length]
            self.store = grown
        self.store[self.length : wanted] = rows
        self.length = wanted

    @property
    def rows(self) -> Array:
        """What is there (length, width)."""
        return self.store[: self.length]


class FolderReader:
    """What a run folder says, kept up to date by `look`."""

    def __init__(self, folder: Path) -> None:
        """Of a folder, which may still be empty.

        Raises:
            RecordError: there is no such folder.
        """
        if not folder.is_dir():
            problem = "is a file, no run folder" if folder.exists() else "no such run folder"
            raise RecordError(folder, "", problem, "name the folder that log prints and writes")
        self.folder = folder
        self.metadata = NOT_KNOWN
        self.events: list[Event] = []
        self.header: list[str] = []
        self.nodes: tuple[str, ...] = ()
        self.bad_rows = 0
        self.grown_at = time.monotonic()
        self._columns = Columns(1)
        self._sources: tuple[str, ...] = ()
        self._readings = Tail(folder / READINGS)
        self._events = Tail(folder / EVENTS)

    def look(self) -> bool:
        """Take in what is new; True where there was anything."""
        if self.metadata is NOT_KNOWN:
            self.metadata = self._read_metadata()
        scans, marks = self._take_scans(), self._take_events()
        if scans:
            self.grown_at = time.monotonic()
        return scans or marks

    def expect_a_run(self, within_s: float = MADE_WITHIN_S) -> None:
        """Return when there is a run in the folder.

        A logger makes its folder and begins the record in one go, and takes no folder that exists:
        an empty one stays empty.

        Raises:
            RecordError: none within so long [s].
        """
        deadline = time.monotonic() + within_s
        while not (self.look() or self.metadata is not NOT_KNOWN or self.header):
            if time.monotonic() > deadline:
                raise RecordError(self.folder, "", "has no run in it", _what_then(self.folder))
            time.sleep(0.05)

    @property
    def scans(self) -> int:
        """Scans read so far."""
        return self._columns.length

    @property
    def t_s(self) -> Array:
        """Times (n,) [s]."""
        return self._columns.rows[:, 0]

    @property
    def temperature_degC(self) -> Array:
        """Readings (n, nodes) [degC]."""
        return self._columns.rows[:, 1 : 1 + len(self.nodes)]

    @property
    def path_nodes(self) -> tuple[str, ...]:
        """The nodes of the heat path."""
        return tuple(self.nodes[i] for i in places(self.nodes, self.metadata.sensors)[0])

    @property
    def power(self) -> Array:
        """Power of all sources (n,) [power_unit]."""
        return np.asarray(self._each_power.sum(axis=1))

    @property
    def _each_power(self) -> Array:
        """Power of each source (n, sources)."""
        return self._columns.rows[:, 1 + len(self.nodes) :]

    @property
    def label(self) -> str:
        """The user's words, else the folder's name."""
        return self.metadata.label or self.folder.name

    @property
    def has_several_sources(self) -> bool:
        """Whether the record keeps the power of more than one source."""
        return len(power_columns(self.header)) > 1

    @property
    def power_unit(self) -> str:
        """Unit of the power."""
        return self.metadata.power_unit

    @property
    def restarted(self) -> bool:
        """Whether the last look found another record in the folder than the one before."""
        return self._readings.restarted

    @property
    def ended(self) -> bool:
        """Whether the record says that it has ended."""
        return last_event(self.events, EventName.STOP) is not None

    def heat_started_s(self) -> float | None:
        """When the power came on [s]; None before."""
        power = np.abs(self.power)
        largest = float(np.nanmax(power, initial=0.0))
        if not self.scans or largest == 0.0:
            return None
        return float(self.t_s[int(np.argmax(power > POWER_PRESENT * largest))])

    def run(self, until_s: float = float("inf")) -> Run:
        """The record as a run, up to a time [s]; a copy, so that the writer may go on."""
        n = int(np.searchsorted(self.t_s, until_s, side="right"))
        on, off = places(self.nodes, self.metadata.sensors)
        return Run(
            path=self.folder,
            label=self.label,
            nodes=self.path_nodes,
            t_s=self.t_s[:n].copy(),
            temperature_degC=self.temperature_degC[:n, on],
            power=self.power[:n],
            power_unit=self.power_unit,
            events=tuple(event for event in self.events if event.t_s <= until_s),
            metadata=self.metadata,
            off_path=tuple(self.nodes[i] for i in off),
            off_path_degC=self.temperature_degC[:n, off],
            sources=self._sources,
            source_power=self._each_power[:n].copy() if self._sources else None,
        )

    def _read_metadata(self) -> RunMetadata:
        """run.json where it is there and whole; what is wrong with it, `check` will say."""
        try:
            return read_metadata(self.folder / DOCUMENT)
        except RecordError:
            return NOT_KNOWN

    def _take_scans(self) -> bool:
        lines = self._readings.new_lines()
        if self._readings.restarted:
            self.header, self.bad_rows = [], 0
        if lines and not self.header:
            self._begin(lines.pop(0).decode("utf-8", "replace").strip("\r\ufeff").split(","))
        if not lines or not self.nodes:
            return False
        rows = [row for line in lines if (row := self._row(line)) is not None]
        if rows:
            self._columns.extend(np.array(rows))
        return bool(rows)

    def _begin(self, header: list[str]) -> None:
        self.header = [name.strip() for name in header]
        # Without its times a table is none that can be followed; what is wrong, `check` will say.
        timed = "t_s" in self.header
        read = [name for name in self.header if timed and name.endswith("_degC")]
        self.nodes = tuple(name.removesuffix("_degC") for name in read)
        powers = power_columns(self.header)
        self._sources = tuple(one.source for one in powers if one.source)
        self._columns = Columns(1 + len(self.nodes) + max(1, len(powers)))
        self._places = [self.header.index(name) for name in ("t_s", *read) if timed]
        self._power = [[self.header.index(name) for name in one.columns] for one in powers]

    def _row(self, line: bytes) -> list[float] | None:
        """Time, readings and power of a line; None where it is not a row later than the last."""
        cells = line.rstrip(b"\r").split(b",")
        if len(cells) != len(self.header):
            self.bad_rows += bool(line.strip())
            return None
        try:
            values = [_number(cells[i]) for i in self._places]
            each = [prod(_number(cells[i]) for i in places) for places in self._power]
        except ValueError:
            self.bad_rows += 1
            return None
        return [*values, *(each or [float("nan")])]

    def _take_events(self) -> bool:
        lines = self._events.new_lines()
        if self._events.restarted:
            self.events = []
        found = [event for line in lines if (event := event_from(line)) is not None]
        self.events += found
        return bool(found)


def _what_then(folder: Path) -> str:
    """The newest run below a folder that is none, such as `runs`."""
    runs = [document.parent for document in folder.glob(f"*/{DOCUMENT}")]
    if not runs:
        return "name the folder that log prints and writes"
    return f"did you mean {max(runs, key=lambda run: run.stat().st_mtime)}?"


def _number(cell: bytes) -> float:
    return float(cell) if cell.strip() else float("nan")
