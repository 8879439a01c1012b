"""vf_windows.csv: forward voltages of a junction at its sense current, one window after another.

    t_s,off_s,junction_V
    120.4,0.0002,0.60113

`t_s` is the time at which a window opened, alike in all its rows; `off_s` the time since the
heating was interrupted there (where it was off anyhow, in the soak and while cooling: since the
window opened); the third column the voltage, named after the junction's node.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fit.errors import RecordError
from fit.records.appended import take_off_torn_line
from fit.records.plain_file import LARGEST_TABLE, read_plain
from fit.records.results import not_written
from fit.records.run_folder import VF_WINDOWS

Array = NDArray[np.float64]

TIME, AGE, VOLTAGE = "t_s", "off_s", "_V"
LARGEST_V = 100.0  # a string of thirty junctions: more is no forward voltage, or one in mV
LONGEST_WINDOW_s = 3600.0  # a junction has long been at its tab's temperature: minutes do. Ours
RIGHT_HEADER = f"{TIME},{AGE},<node>{VOLTAGE}, such as junction{VOLTAGE}"


@dataclass(frozen=True, eq=False)
class VfWindows:
    """All windows of a run, row by row as they were recorded (n,)."""

    node: str  # the junction's
    t_s: Array  # (n,) when its window opened [s]
    off_s: Array  # (n,) since the heating was interrupted [s]
    volts: Array  # (n,) forward voltage at the sense current [V]
    left_out: tuple[str, ...] = ()

    @cached_property
    def bounds(self) -> NDArray[np.intp]:
        """First row of every window, and the number of rows (w + 1,)."""
        first = np.flatnonzero(np.diff(self.t_s)) + 1
        return np.concatenate([[0], first, [len(self.t_s)]]).astype(np.intp)

    @property
    def opened_s(self) -> Array:
        """When each window opened (w,) [s]."""
        return self.t_s[self.bounds[:-1]]

    def __iter__(self) -> Iterator[tuple[Array, Array]]:
        """Of every window: times since the interruption [s] and voltages [V]."""
        for first, end in zip(self.bounds[:-1], self.bounds[1:], strict=True):
            yield self.off_s[first:end], self.volts[first:end]


def read_vf_windows(path: Path) -> VfWindows | None:
    """Read the windows of a run.

    Args:
        path: of vf_windows.csv.

    Returns:
        The windows; None where there is no such file, or no row in it. A torn last line and rows
        without a voltage are left out, and said.

    Raises:
        RecordError: the file cannot be used; the message names line and column.
    """
    if not path.exists():
        return None
    head, _, body = read_plain(path, LARGEST_TABLE).removeprefix(b"\xef\xbb\xbf").partition(b"\n")
    names = head.decode("utf-8", "replace").strip().split(",")
    node = names[-1].removesuffix(VOLTAGE)
    if names[:2] != [TIME, AGE] or len(names) != 3 or not node or node == names[-1]:
        raise RecordError(path, "line 1", f"has the columns {','.join(names)[:80]}", RIGHT_HEADER)
    lines = body.split(b"\n")
    left_out = ["its last line: torn, it does not end with a line end"] if lines.pop() else []
    rows = np.full((len(lines), 3), np.nan)
    empty = 0
    for number, line in enumerate(lines):
        cells = line.strip().split(b",")
        if len(cells) == 3 and cells[2] == b"":
            empty += 1
            continue
        try:
            rows[number] = [float(cell) for cell in cells]
        except ValueError:
            problem = f"{line.decode('utf-8', 'replace').strip()[:60]!r} is no row of numbers"
            raise RecordError(path, f"line {number + 2}", problem, ",".join(names)) from None
    if empty:
        left_out.append(f"{empty} row{'s' if empty > 1 else ''} without a voltage")
    found = np.isfinite(rows).all(axis=1)
    _check(path, rows, found, empty)
    rows = rows[found]
    if not len(rows):
        return None
    said = tuple(f"{path.name}: {one}" for one in left_out)
    return VfWindows(node, rows[:, 0], rows[:, 1], rows[:, 2], said)


def _check(path: Path, rows: Array, found: NDArray[np.bool_], empty: int) -> None:
    """Refuse what no window can hold: times that run backwards, numbers that are no voltage."""
    places = np.flatnonzero(found)
    if len(places) + empty < len(rows):
        line = int(np.argmax(~found)) + 2
        raise RecordError(path, f"line {line}", "holds a number that is not finite", "leave it out")
    t_s, off_s, volts = rows[places].T
    same = np.append(False, np.diff(t_s) == 0)
    wrong = (
        (np.append(False, np.diff(t_s) < 0), TIME, "windows follow one another in time"),
        (same & np.append(False, np.diff(off_s) <= 0), AGE, "times in a window increase"),
        ((off_s < 0) | (off_s > LONGEST_WINDOW_s), AGE, "seconds since the interruption"),
        (np.abs(volts) > LARGEST_V, "the voltage", f"volts, at most {LARGEST_V:g}"),
    )
    for faulty, column, right in wrong:
        if faulty.any():
            row = int(np.argmax(faulty))
            value = {TIME: t_s, AGE: off_s}.get(column, volts)[row]
            place = f"line {places[row] + 2}, column {column}"
            raise RecordError(path, place, f"{value:.6g} will not do", right)


class VfWriter:
    """Appends windows to a run's vf_windows.csv; each has reached the system when it returns.

    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> with VfWriter(folder, "junction") as writer:
    ...     writer.append(120.4, [2e-4, 1e-3], [0.60113, 0.60402])
    >>> read_vf_windows(folder / "vf_windows.csv").volts.tolist()
    [0.60113, 0.60402]
    """

    def __init__(self, folder: Path, node: str) -> None:
        """
        Args:
            folder: of the run; windows that it has already are kept.
            node: the junction's.

        Raises:
            RecordError: the file cannot be written.
        """
        self.path = folder / VF_WINDOWS
        try:
            self.path.touch()
            self._stream = self.path.open("r+b", buffering=0)
            take_off_torn_line(self._stream)
            if not self._stream.tell():
                self._stream.write(f"{TIME},{AGE},{node}{VOLTAGE}\n".encode())
        except OSError as error:
            raise not_written(self.path, error) from error

    def append(self, t_s: float, off_s: Sequence[float], volts: Sequence[float]) -> None:
        """Append one window.

        Args:
            t_s: when it opened, since the start of the record [s].
            off_s: times of its readings since the heating was interrupted (m,) [s].
            volts: readings (m,) [V].

        Raises:
            RecordError: the disk does not take it.
        """
        rows = (f"{t_s!r},{age!r},{V!r}\n" for age, V in zip(off_s, volts, strict=True))
        try:
            self._stream.write("".join(rows).encode())
        except OSError as error:
            raise not_written(self.path, error) from error

    def close(self) -> None:
        """Have it on the disk and close the file, as far as the disk takes it."""
        with contextlib.suppress(OSError, ValueError):
            os.fsync(self._stream.fileno())
        self._stream.close()

    def __enter__(self) -> VfWriter:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
