"""Signals that ask the logger to end: noted, so that it ends in order; none ends it at once."""

from __future__ import annotations

import signal
import threading
from types import FrameType
from typing import Any

NAMES = {"SIGINT": "Ctrl-C", "SIGTERM": "SIGTERM", "SIGHUP": "SIGHUP", "SIGBREAK": "Ctrl-Break"}


class StopRequests:
    """While this context lasts, signals are noted instead of ending the program."""

    def __init__(self) -> None:
        self.first: str | None = None  # what asked first, in words
        self.count = 0
        self._before: dict[int, Any] = {}

    def ask(self, who: str) -> None:
        """Ask the run to end in order."""
        self.first = self.first or who
        self.count += 1

    def __enter__(self) -> StopRequests:
        if threading.current_thread() is threading.main_thread():
            for name in NAMES:
                number = getattr(signal, name, None)
                if number is not None:
                    self._before[number] = signal.signal(number, self._note)
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def _note(self, number: int, frame: FrameType | None) -> None:
        self.ask(NAMES[signal.Signals(number).name])
