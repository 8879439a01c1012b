"""The logger's end of the watchdog: its orders, its start, its signs of life."""

from __future__ import annotations

import contextlib
import os
import subprocess
from pathlib import Path
from typing import Any

from bench.instruments.settings import InstrumentSettings
from bench.safety.processes import start_child
from bench.safety.watchdog_process import ALIVE, POWER_OFF, POWER_ON, READY
from fit.errors import BenchError

OFF_ANSWERS = ("0", "OFF", "+0", "FALSE")
REST_S = 0.05  # after a command that nothing answers [s]
PATIENCE_AT_LEAST_S = 10.0


class Watchdog:
    """Switches the power off when this program dies; started before the power goes on."""

    def __init__(
        self,
        settings: InstrumentSettings | None,
        events: Path,
        origin_s: float,
        patience_s: float,
    ) -> None:
        """Start it and wait until it is ready.

        Args:
            settings: of the instrument that switches; None: the operator does, who is then called.
            events: the run's events.jsonl.
            origin_s: start of the record on the computer's monotonic clock [s].
            patience_s: with the power on it takes over after so long without a sign of life [s].

        Raises:
            BenchError: it does not start.
        """
        self._orders = {
            **orders(settings),
            "events": str(events.resolve()),
            "origin_s": origin_s,
            "patience_s": max(patience_s, PATIENCE_AT_LEAST_S),
        }
        self._power = POWER_OFF
        self._process = self._start()

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

    def power_goes_on(self) -> None:
        """The power is about to be switched on. Raises BenchError when nobody watches."""
        self._power = POWER_ON
        if not self._say(POWER_ON):
            raise BenchError("the watchdog has gone; the power stays off")

    def power_is_off(self) -> None:
        """The power has been switched off, and that was confirmed."""
        self._power = POWER_OFF
        self._say(POWER_OFF)

    def restart(self) -> None:
        """Start another in its place. Raises BenchError."""
        self._reap()
        self._process = self._start()
        self._say(self._power)

    def leave(self) -> None:
        """The logger ends: with the power off the watchdog goes too, else it takes over now."""
        with contextlib.suppress(OSError):
            assert self._process.stdin is not None
            self._process.stdin.close()
        if self._power == POWER_OFF:
            self._reap()

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


def orders(settings: InstrumentSettings | None) -> dict[str, Any]:
    """What the watchdog has to send where, as plain bytes: it knows no protocol itself."""
    if settings is None:
        return {"name": "the power", "port": None, "line": {}, "steps": []}
    line = {
        "baudrate": settings.baud,
        "bytesize": settings.data_bits,
        "parity": settings.parity,
        "stopbits": settings.stop_bits,
    }
    make = _modbus_steps if settings.driver == "modbus" else _text_steps
    return {"name": settings.name, "port": settings.port, "line": line, "steps": make(settings)}


def _text_steps(settings: Any) -> list[dict[str, Any]]:
    """The off commands as lines, then the query that reads the switch back."""
    end = settings.terminator
    rest_s = max(REST_S, getattr(settings, "settle_s", 0.0))
    # First the end of a line alone: the logger may have died in the middle of one.
    steps = [_step(end, rest_s), *(_step(command + end, rest_s) for command in settings.switch.off)]
    query = getattr(settings, "state_query", settings.switch.state)
    if query:
        steps.append(_step(query + end, settings.reply_s, OFF_ANSWERS))
    return steps


def _step(text: str, within_s: float, answers: tuple[str, ...] = ()) -> dict[str, Any]:
    return {
        "send": text.encode().hex(),
        "answers": [answer.encode().hex() for answer in answers],
        "within_s": within_s,
        "text": True,
    }


def _modbus_steps(settings: InstrumentSettings) -> list[dict[str, Any]]:
    """Each write as a frame, which the slave confirms by sending it back."""
    from bench.instruments.modbus import parse_write

    assert settings.switch is not None
    steps = []
    for write in map(parse_write, settings.switch.off):
        coil = write.target == "coil"
        value = (0xFF00 if write.value else 0) if coil else write.value
        body = (
            bytes((write.slave, 5 if coil else 6)) + write.address.to_bytes(2) + value.to_bytes(2)
        )
        frame = (body + crc16(body)).hex()
        steps.append(
            {"send": frame, "answers": [frame], "within_s": settings.reply_s, "text": False}
        )
    return steps


def crc16(data: bytes) -> bytes:
    """Check of a Modbus RTU frame, low byte first (Modbus over serial line V1.02, 6.2.2).

    >>> crc16(bytes.fromhex("010300000001")).hex()
    '840a'
    """
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc.to_bytes(2, "little")
