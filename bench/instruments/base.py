"""What the logger asks of an instrument, whatever its protocol."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from bench.instruments.emergency_off import OffStep

MOST_BAD_LINES = 100  # kept between two calls of take_bad_lines


@dataclass(frozen=True)
class Reading:
    """One set of fields from an instrument, raw, in the channel's own unit, as it arrived."""

    t_s: float  # bench monotonic [s]
    values: Mapping[str, float]


@dataclass(frozen=True)
class Window(Reading):
    """A junction's forward voltages in one interruption of its heating."""

    off_s: tuple[float, ...] = ()  # since the interruption [s]
    volts: tuple[float, ...] = ()


class BadLines:
    """What came and was no reading: the newest, until they are taken."""

    def __init__(self) -> None:
        self._lines: deque[str] = deque(maxlen=MOST_BAD_LINES)

    def add(self, *lines: str) -> None:
        self._lines.extend(lines)

    def take(self) -> list[str]:
        """All since the last call."""
        lines = list(self._lines)
        self._lines.clear()
        return lines


class Driver(Protocol):
    """One instrument on one port. Called from one thread only, the one that owns the port."""

    @staticmethod
    def off_steps(settings: Any) -> tuple[OffStep, ...]:
        """What switches it off, from its block of the rig alone: for the watchdog to send.

        The watchdog is another process and imports no driver. A driver without this is refused
        where its instrument switches the power.
        """
        ...

    def open(self) -> None:
        """Open the port and make sure the right instrument answers.

        Raises PortError, InstrumentLost."""
        ...

    def read(self) -> Reading | None:
        """One reading: polled (asks and waits) or the next whole line of a stream; None when
        nothing came within the driver's own deadline, or what came was no reading.

        Raises InstrumentLost when the port is gone."""
        ...

    def switch(self, on: bool) -> None:
        """Switch the power; verified by reading back where the instrument can.

        Switching off opens the port where it is not open, and asks nothing before it is done.
        Raises PortError, InstrumentLost, InstrumentRefused."""
        ...

    def take_bad_lines(self) -> list[str]:
        """Lines that did not match since the last call."""
        ...

    def close(self) -> None:
        """Close the port, never raises."""
        ...
