"""A virtual instrument: a thread that answers lines on its port, and what can go wrong there."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from bench.instruments.line_buffer import LineBuffer
from bench.virtual.ports import FarEnd

IDLE_S = 0.05


@dataclass
class Faults:
    """What goes wrong, changed at any moment while the instrument runs."""

    silent: bool = False
    delay_s: float = 0.0  # before each answer
    garble: Callable[[bytes], bytes] | None = None  # last change to what is sent
    refuse: str | None = None  # a command that begins so is answered with an error


class Behaviour(Protocol):
    """What makes a virtual instrument the one it is."""

    def answer(self, line: str, faults: Faults) -> str | None:
        """Reply to a line, without terminator; None for no reply."""
        ...

    def unasked(self) -> str | None:
        """The next line of a stream."""
        ...


class VirtualInstrument:
    """Serves one behaviour on one port until closed."""

    def __init__(
        self, behaviour: Behaviour, port: FarEnd, stream_every_s: float | None = None
    ) -> None:
        """
        Args:
            behaviour: the answers.
            port: the far end of the port.
            stream_every_s: sends `unasked()` that often [s of the computer's clock]; None: only
                answers.
        """
        self.behaviour = behaviour
        self.port = port
        self.faults = Faults()
        self._every_s = stream_every_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True, name=f"virtual {port.url}")
        self._thread.start()

    @property
    def url(self) -> str:
        return self.port.url

    def close(self) -> None:
        """Stop answering and take the port away."""
        self._stop.set()
        self._thread.join(timeout=2.0)
        self.port.close()

    def __enter__(self) -> VirtualInstrument:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _serve(self) -> None:
        buffer = LineBuffer()
        due = time.monotonic()
        while not self._stop.is_set():
            wait_s = IDLE_S
            if self._every_s is not None:
                wait_s = min(IDLE_S, max(0.0, due - time.monotonic()))
            buffer.feed(self.port.receive(wait_s))
            while (line := buffer.take()) is not None:
                self._reply(self.behaviour.answer(line, self.faults))
            if self._every_s is not None and time.monotonic() >= due:
                due += self._every_s
                self._reply(self.behaviour.unasked())

    def _reply(self, text: str | None) -> None:
        if text is None or self.faults.silent:
            return
        if self.faults.delay_s:
            self._stop.wait(self.faults.delay_s)
        data = text.encode() + b"\n"
        self.port.send(self.faults.garble(data) if self.faults.garble else data)
