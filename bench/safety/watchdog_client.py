"""The logger's end of the watchdog: its orders, its start, its signs of life."""

from __future__ import annotations

import contextlib
import os
import subprocess
import threading
from dataclasses import asdict
from pathlib import Path
from typing import Any

from bench.instruments import off_steps
from bench.instruments.emergency_off import OffStep
from bench.instruments.settings import InstrumentSettings
from bench.safety.processes import start_child
from bench.safety.watchdog_process import ALIVE, POWER_OFF, POWER_ON, READY
from fit.errors import BenchError
from fit.records.events import BY_WATCHDOG, EventName

PATIENCE_AT_LEAST_S = 10.0
LOOK_S = 0.1  # it is looked for so often


class Watchdog:
    """Switches the power off when this program dies; started before the power goes on."""

    def __init__(
        self,
        settings: InstrumentSettings | None,
        events: Path,
        origin_s: float,
        patience_s: float,
        source: str = "",
    ) -> None:
        """Start it and wait until it is ready.

        Args:
            settings: of the instrument that switches; None: the operator does, who is then called.
            events: the run's events.jsonl.
            origin_s: start of the record on the computer's monotonic clock [s].
            patience_s: with the power on it takes over after so long without a sign of life [s].
            source: that it switches off; "" where there is one without a name.

        Raises:
            BenchError: it does not start.
        """
        self._orders = {
            **orders(settings, source),
            "events": str(events.resolve()),
            # The process knows no record: the line that it may have to add is given to it.
            "event": {
                "event": EventName.POWER_OFF,
                **({"source": source} if source else {}),
                "by": BY_WATCHDOG,
            },
            "origin_s": origin_s,
            "patience_s": max(patience_s, PATIENCE_AT_LEAST_S),
        }
        self._power = POWER_OFF
        self._lock = threading.Lock()
        self._deaths: list[str] = []
        self._gone = ""
        self._left = threading.Event()
        self._process = self._start()
        threading.Thread(target=self._look_after, daemon=True, name="watchdog's keeper").start()

    @property
    def pid(self) -> int:
        return self._process.pid

    @property
    def patience_s(self) -> float:
        """After so long without a sign of life it takes over [s]."""
        return float(self._orders["patience_s"])

    def alive(self) -> bool:
        """Give a sign of life; False when the watchdog itself is gone."""
        return self._say(ALIVE)

    def take_deaths(self) -> list[str]:
        """What happened to it since the last call, one sentence each.

        Raises BenchError when it died and no other could be started.
        """
        with self._lock:
            deaths, self._deaths = self._deaths, []
        if self._gone:
            raise BenchError(self._gone)
        return deaths

    def power_goes_on(self) -> None:
        """The power is about to be switched on. Raises BenchError where the watchdog is gone."""
        self._power = POWER_ON
        if not self._say(POWER_ON):
            raise BenchError("the watchdog has gone; the power stays off")

    def power_is_off(self) -> None:
        """The power has been switched off, and that was confirmed."""
        self._power = POWER_OFF
        self._say(POWER_OFF)

    def leave(self) -> None:
        """The logger ends: with the power off the watchdog goes too, else it takes over now."""
        self._left.set()
        with contextlib.suppress(OSError):
            assert self._process.stdin is not None
            self._process.stdin.close()
        if self._power == POWER_OFF:
            self._reap()

    def _look_after(self) -> None:
        """Start another as soon as it has died, however long a scan may take."""
        while not self._left.wait(LOOK_S):
            if self._process.poll() is None:
                continue
            with self._lock:
                try:
                    self._process = self._start()
                except (BenchError, OSError) as error:
                    self._gone = f"the watchdog has gone, and another cannot be started: {error}"
                    return
                self._deaths.append("its process was gone; another was started")
            self._say(self._power)

    def _start(self) -> subprocess.Popen[bytes]:
        import json

        process = start_child("bench.safety.watchdog_process")
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            process.stdin.write(json.dumps(self._orders).encode() + b"\n")
            process.stdin.flush()
            ready = process.stdout.readline()
        except OSError:
            ready = b""
        process.stdout.close()
        if ready != READY:
            process.kill()
            raise BenchError("the watchdog process does not start; nothing is switched on")
        return process

    def _say(self, byte: bytes) -> bool:
        if self._process.poll() is not None:
            return False
        assert self._process.stdin is not None
        try:
            os.write(self._process.stdin.fileno(), byte)
        except OSError:
            return False
        return True

    def _reap(self) -> None:
        try:
            self._process.wait(timeout=2.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


def orders(settings: InstrumentSettings | None, source: str = "") -> dict[str, Any]:
    """What the watchdog has to send where, as plain bytes: it knows no protocol itself."""
    if settings is None:
        name = f"the power of '{source}'" if source else "the power"
        return {"name": name, "port": None, "line": {}, "steps": []}
    steps = [_as_json(step) for step in off_steps(settings)]
    return {
        "name": settings.name,
        "port": settings.byte_port,
        "line": settings.line,
        "reply_s": settings.reply_s,
        "terminator": str(getattr(settings, "terminator", "\n")),
        "steps": steps,
    }


def _as_json(step: OffStep) -> dict[str, Any]:
    answers = [answer.hex() for answer in step.answers]
    return {**asdict(step), "send": step.send.hex(), "answers": answers}
