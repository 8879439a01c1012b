"""A driver that heatrun never heard of, which speaks bytes: its own off steps switch it off."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from bench.clock import Clock
from bench.instruments import DRIVERS
from bench.instruments.base import Reading
from bench.instruments.emergency_off import OffStep
from bench.instruments.settings import InstrumentSettings
from bench.instruments.transport import open_port
from bench.rig.schema import rig_from
from bench.virtual.ports import HAS_PTY, FarEnd, far_end
from fit.errors import RigError
from tests.support.bench_rigs import OtherProcess, tables, until

ON, OFF, ASK = b"\xf1", b"\xf0", b"\xfa"


class Settings(InstrumentSettings):
    """A relay that is told one byte; the words of its switch mean nothing to it."""


class Instrument:
    """Driver of the relay."""

    def __init__(self, settings: Settings, clock: Clock) -> None:
        self._settings, self._clock = settings, clock
        self._port: Any = None

    @staticmethod
    def off_steps(settings: Settings) -> tuple[OffStep, ...]:
        return (OffStep(OFF, 0.02), OffStep(ASK, settings.reply_s, (OFF,)))

    def open(self) -> None:
        self.close()
        self._port = open_port(self._settings)

    def read(self) -> Reading | None:
        time.sleep(0.01)
        return Reading(self._clock.now_s(), {"relay": 1.0})

    def switch(self, on: bool) -> None:
        if self._port is None:
            self.open()
        self._port.write(ON if on else OFF)

    def take_bad_lines(self) -> list[str]:
        return []

    def close(self) -> None:
        if self._port is not None:
            self._port.close()


class Relay:
    """The relay itself."""

    def __init__(self, port: FarEnd) -> None:
        self.port, self.on = port, False
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self.port.close()

    def _serve(self) -> None:
        while not self._stop.is_set():
            for byte in self.port.receive(0.02):
                if byte in OFF + ON:
                    self.on = byte in ON
                elif byte in ASK:
                    self.port.send(ON if self.on else OFF)


@pytest.fixture
def relay(tmp_path: Path) -> Iterator[Relay]:
    made = Relay(far_end("relay", tmp_path))
    yield made
    made.close()


def with_relay(rig: dict[str, Any], port: str) -> dict[str, Any]:
    supply = {"name": "relay", "driver": "knock", "port": port}
    supply["switch"] = {"on": ["on"], "off": ["off"]}
    rig["instrument"][1] = supply
    rig["power"] = {"source": "stated", "power_W": 4.2, "switch": "relay"}
    return rig


@pytest.mark.skipif(not HAS_PTY, reason="this system has no pty and no POSIX signals")
def test_the_watchdog_switches_it_off_after_kill_9(tmp_path: Path, relay: Relay) -> None:
    run = tmp_path / "run"
    with OtherProcess(tmp_path) as other:
        rig = with_relay(tables(other.ports, sequence={"heat_s": 60.0}), relay.port.url)
        known = f"from bench.instruments import DRIVERS; DRIVERS['knock'] = {__name__!r}"
        other.log(run, first=known, whole_rig=rig)
        other.wait_for(run, "power_on")
        assert until(lambda: relay.on)
        other.send(signal.SIGKILL)
        assert until(lambda: not relay.on, 2.0)
        assert "the watchdog has switched relay off" in other.finish()[2]


def test_a_driver_without_off_steps_is_refused_where_it_switches(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(DRIVERS, "knock", __name__)
    rig = with_relay(tables({"reader": "x", "supply": "y"}), "z")
    assert rig_from(rig, "rig.toml").switching is not None
    monkeypatch.delattr(Instrument, "off_steps")
    with pytest.raises(RigError, match=r"instrument 2 \('relay'\): driver: 'knock' does not say"):
        rig_from(rig, "rig.toml")
