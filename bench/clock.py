"""Time on the bench: real, or a bench clock that runs as fast as the virtual instruments answer."""

from __future__ import annotations

import sys
import time
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """What the logger needs of time; bench/ asks a Clock for durations, never `time`."""

    @property
    def lock_step(self) -> bool:
        """True where time stands still until every instrument has answered."""
        ...

    def now_s(self) -> float:
        """Monotonic bench seconds, also counting while the computer sleeps."""
        ...

    def sleep_until_s(self, t_s: float) -> None:
        """Return when `now_s()` has reached t_s [s]."""
        ...

    def utc(self) -> datetime:
        """Wall clock of the bench, UTC."""
        ...

    def suspended_s(self) -> float:
        """How long the computer has slept since it was started [s]; 0 where that is not known."""
        ...


def monotonic_s() -> float:
    """Seconds that neither jump with the wall clock nor stop while the computer sleeps.

    Linux stops CLOCK_MONOTONIC in suspend and offers CLOCK_BOOTTIME; macOS stops what Python's
    `time.monotonic` reads, but not CLOCK_MONOTONIC; on Windows that moves in steps of 16 ms, and
    the performance counter does not. The same in every process of a computer.
    """
    if sys.platform == "win32":
        return time.perf_counter()
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    if hasattr(time, "CLOCK_UPTIME_RAW"):
        return time.clock_gettime(time.CLOCK_MONOTONIC)
    return time.monotonic()


class RealClock:
    """The computer's own clocks."""

    lock_step = False

    def now_s(self) -> float:
        return monotonic_s()

    def sleep_until_s(self, t_s: float) -> None:
        while (left := t_s - monotonic_s()) > 0:
            time.sleep(left)

    def utc(self) -> datetime:
        return datetime.now(UTC)

    def suspended_s(self) -> float:
        if sys.platform == "win32":
            return 0.0
        return monotonic_s() - time.monotonic()


class LockStepClock:
    """A bench clock for virtual instruments: waiting takes no time at all.

    The logger waits for every answer before it lets time go on, so that two bench hours take as
    long as the serial exchanges in them, and come out the same each time.

    >>> clock = LockStepClock()
    >>> clock.sleep_until_s(7200.0)
    >>> clock.now_s()
    7200.0
    """

    lock_step = True

    def __init__(self, started: datetime | None = None) -> None:
        """
        Args:
            started: wall clock at bench second 0; the computer's when None.
        """
        self._started = started or datetime.now(UTC)
        self._now_s = 0.0

    def now_s(self) -> float:
        return self._now_s

    def sleep_until_s(self, t_s: float) -> None:
        self._now_s = max(self._now_s, t_s)

    def utc(self) -> datetime:
        return self._started + timedelta(seconds=self._now_s)

    def suspended_s(self) -> float:
        return 0.0
