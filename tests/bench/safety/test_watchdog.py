"""The watchdog as a process of its own, on ptys, sockets and Modbus."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from bench.clock import monotonic_s
from bench.instruments import settings_class
from bench.safety.watchdog_client import Watchdog, orders
from bench.safety.watchdog_process import switch_off
from bench.virtual.instrument import VirtualInstrument
from bench.virtual.ports import SocketEnd
from bench.virtual.supply import ScpiSupply, Supply
from tests.support.bench_rigs import until
from tests.support.virtual_instruments import PORTS

pytestmark = pytest.mark.usefixtures("no_watchdog_left")


def settings(port: str, **more: Any) -> Any:
    return settings_class("scpi").model_validate(
        {
            "name": "supply",
            "driver": "scpi",
            "port": port,
            "reply_s": 0.3,
            "switch": {"on": ["OUTP ON"], "off": ["OUTP OFF"]},
            **more,
        }
    )


@pytest.mark.parametrize("make_port", PORTS)
def test_when_the_pipe_ends_with_the_power_on_it_is_switched_off(
    tmp_path: Path, make_port: Any
) -> None:
    supply = Supply(load_ohm=30.0, on=True)
    events = tmp_path / "events.jsonl"
    events.write_text('{"t_s": 1.0, "event": "power_on"}\n{"t_s": 2.0, "ev')
    with VirtualInstrument(ScpiSupply(supply), make_port("supply")) as instrument:
        watchdog = Watchdog(settings(instrument.url), events, monotonic_s() - 100.0, 60.0)
        watchdog.power_goes_on()
        watchdog.leave()
        assert until(lambda: not supply.on)
        assert until(lambda: "watchdog" in events.read_text())
    last = json.loads(events.read_text().splitlines()[-1])
    assert last["event"] == "power_off"
    assert 100.0 < last["t_s"] < 110.0


class OtherLineEnds(SocketEnd):
    """A socket of an instrument whose lines end otherwise."""

    def __init__(self, end: str) -> None:
        super().__init__()
        self._end = end.encode()

    def receive(self, wait_s: float) -> bytes:
        return super().receive(wait_s).replace(self._end, b"\n")

    def send(self, data: bytes) -> None:
        super().send(data.replace(b"\n", self._end))


@pytest.mark.parametrize("visa", [False, True], ids=["socket", "visa"])
@pytest.mark.parametrize("end", ["\r", "\r\n"], ids=["cr", "crlf"])
def test_an_answer_confirms_however_its_line_ends(end: str, visa: bool) -> None:
    supply = Supply(load_ohm=30.0, on=True)
    with VirtualInstrument(ScpiSupply(supply), OtherLineEnds(end)) as instrument:
        host, number = instrument.url.removeprefix("socket://").split(":")
        port = f"TCPIP0::{host}::{number}::SOCKET" if visa else instrument.url
        switch_off(orders(settings(port, terminator=end)))  # raises where it is not confirmed
    assert not supply.on


def test_with_the_power_off_it_leaves_without_a_word_to_the_supply(tmp_path: Path) -> None:
    watchdog = Watchdog(settings(str(tmp_path / "no port")), tmp_path / "events", 0.0, 60.0)
    watchdog.power_goes_on()
    assert watchdog.alive()
    watchdog.power_is_off()
    watchdog.leave()
    assert not watchdog.alive()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_signals_do_not_reach_it(tmp_path: Path, number: signal.Signals) -> None:
    import os

    watchdog = Watchdog(settings(str(tmp_path / "no port")), tmp_path / "events", 0.0, 60.0)
    os.kill(watchdog.pid, number)
    time.sleep(0.2)
    assert watchdog.alive()
    watchdog.leave()


def test_a_supply_that_comes_late_is_tried_again_until_it_obeys(tmp_path: Path) -> None:
    supply = Supply(load_ohm=30.0, on=True)
    with VirtualInstrument(ScpiSupply(supply), PORTS[1].values[0]("")) as instrument:
        instrument.faults.refuse = "OUTP OFF"
        watchdog = Watchdog(settings(instrument.url), tmp_path / "events", 0.0, 60.0)
        watchdog.power_goes_on()
        watchdog.leave()
        time.sleep(1.0)
        assert supply.on
        instrument.faults.refuse = None
        assert until(lambda: watchdog._process.poll() is not None)
    assert not supply.on


def test_half_a_command_left_on_the_line_does_not_spoil_the_off(tmp_path: Path) -> None:
    import socket

    supply = Supply(load_ohm=30.0, on=True)
    with VirtualInstrument(ScpiSupply(supply), PORTS[1].values[0]("")) as instrument:
        watchdog = Watchdog(settings(instrument.url), tmp_path / "events", 0.0, 60.0)
        watchdog.power_goes_on()
        host, number = instrument.url.removeprefix("socket://").split(":")
        with socket.create_connection((host, int(number))) as dying:
            dying.sendall(b"MEAS:VO")
            time.sleep(0.2)
        watchdog.leave()
        assert until(lambda: watchdog._process.poll() is not None)
    assert not supply.on


def test_a_watchdog_that_is_killed_is_replaced_at_once_and_told_of(tmp_path: Path) -> None:
    supply = Supply(load_ohm=30.0, on=True)
    with VirtualInstrument(ScpiSupply(supply), PORTS[1].values[0]("")) as instrument:
        watchdog = Watchdog(settings(instrument.url), tmp_path / "events", 0.0, 60.0)
        watchdog.power_goes_on()
        first = watchdog.pid
        watchdog._process.kill()
        assert until(lambda: watchdog.pid != first)
        assert until(watchdog.take_deaths)
        assert watchdog.alive()
        watchdog.leave()
        assert until(lambda: not supply.on)
        assert until(lambda: watchdog._process.poll() is not None)


class Deaf:
    """A supply that ignores the first orders, and may answer late."""

    def __init__(self, supply: Supply, ignores: int) -> None:
        self.inner, self.ignores = ScpiSupply(supply), ignores
        self.heard: list[float] = []

    def unasked(self) -> None:
        return None

    def answer(self, line: str, faults: Any) -> str | None:
        if line == "OUTP OFF":
            self.heard.append(time.monotonic())
            if len(self.heard) <= self.ignores:
                return None
        return self.inner.answer(line, faults)


@pytest.mark.parametrize("state", [None, ""], ids=["read back", "not read back"])
@pytest.mark.parametrize("delay_s", [0.0, 3.0])
def test_a_supply_that_ignores_three_offs_is_off_soon_after(
    tmp_path: Path, state: str | None, delay_s: float
) -> None:
    supply = Supply(load_ohm=30.0, on=True)
    deaf = Deaf(supply, 3)
    switch = {"on": ["OUTP ON"], "off": ["OUTP OFF"], "state": state}
    with VirtualInstrument(deaf, PORTS[1].values[0]("")) as instrument:
        instrument.faults.delay_s = delay_s
        keys = settings(instrument.url, reply_s=5.0, switch=switch)
        watchdog = Watchdog(keys, tmp_path / "events", 0.0, 60.0)
        watchdog.power_goes_on()
        watchdog.leave()
        assert until(lambda: not supply.on, 10.0)
        off_s = time.monotonic()
        assert until(lambda: watchdog._process.poll() is not None, 15.0)
    assert len(deaf.heard) >= 4
    if not delay_s:
        assert off_s - deaf.heard[0] < 2.0


def test_a_supply_that_cannot_be_reached_is_told_of_at_once_and_with_a_ring(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    watchdog = Watchdog(settings(str(tmp_path / "no port")), tmp_path / "events", 0.0, 60.0)
    watchdog.power_goes_on()
    watchdog.leave()
    said: list[str] = []

    def told() -> bool:
        said.append(capfd.readouterr().err)
        return "\a" in "".join(said) and "SWITCH IT OFF BY HAND" in "".join(said)

    try:
        assert until(told, 2.0)
    finally:
        watchdog._process.kill()
        watchdog._process.wait()


def test_modbus_is_switched_off_by_frames_the_slave_sends_back() -> None:
    modbus = settings_class("modbus").model_validate(
        {
            "name": "relay",
            "driver": "modbus",
            "port": "x",
            "switch": {
                "on": ["slave 3 coil 0 = 1"],
                "off": ["slave 3 coil 0 = 0", "register 7 = 5"],
            },
        }
    )
    steps = orders(modbus)["steps"]
    assert [bytes.fromhex(one["send"])[:6].hex() for one in steps] == [
        "030500000000",
        "010600070005",
    ]
    assert all(one["answers"] == [one["send"]] for one in steps)


@pytest.mark.parametrize("tcp", [False, True])
def test_frames_switch_a_modbus_server_off(tmp_path: Path, tcp: bool) -> None:
    from bench.virtual.modbus import ModbusReader

    supply = Supply(load_ohm=30.0, on=True)
    with ModbusReader(lambda: {"tab": 23.0}, supply, pty=False, tcp=tcp) as relay:
        modbus = settings_class("modbus").model_validate(
            {
                "name": "relay",
                "driver": "modbus",
                "port": relay.url,
                "switch": {"on": ["slave 1 coil 0 = 1"], "off": ["slave 1 coil 0 = 0"]},
            }
        )
        watchdog = Watchdog(modbus, tmp_path / "events", 0.0, 60.0)
        watchdog.power_goes_on()
        watchdog.leave()
        assert until(lambda: watchdog._process.poll() is not None)
    assert not supply.on


def test_it_imports_nothing_heavy() -> None:
    heavy = ("pydantic", "numpy", "typer", "rich", "scipy", "pymodbus")
    program = (
        "import sys, bench.safety.watchdog_process, serial\n"
        f"print([name for name in {heavy} if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
