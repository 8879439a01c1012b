"""Time on the bench: real, or a bench clock that runs as fast as the virtual instruments answer."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """What the logger needs of time. Every duration in bench/ is asked of a Clock, never of `time`."""

    def now_s(self) -> float:
        """Monotonic bench seconds."""
        ...

    def sleep_until_s(self, t_s: float) -> None:
        """Return when `now_s()` has reached t_s [s]."""
        ...

    def utc(self) -> datetime:
        """Wall clock of the bench, UTC."""
        ...


class RealClock:
    """The computer's own clocks."""

    def now_s(self) -> float:
        return time.monotonic()

    def sleep_until_s(self, t_s: float) -> None:
        while (left := t_s - time.monotonic()) > 0:
            time.sleep(left)

    def utc(self) -> datetime:
        return datetime.now(UTC)
