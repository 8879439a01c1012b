"""SCPI over raw sockets, HiSLIP and VXI-11: pyvisa-py, and loopback servers of a virtual supply."""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bench.instruments import settings_class
from bench.instruments.visa import VisaPort
from bench.safety.watchdog_client import orders
from bench.safety.watchdog_process import switch_off
from bench.virtual.ports import FarEnd
from bench.virtual.supply import IDENTITY, ScpiSupply, Supply
from fit.errors import BenchError, InstrumentLost
from fit.records.run import read_run
from tests.support.bench_rigs import OtherProcess, events
from tests.support.hislip import HislipEnd
from tests.support.lan_bench import ENDS
from tests.support.virtual_instruments import SUPPLY, driver, next_reading, read_on, served
from tests.support.vxi11 import Vxi11End

LINE = {"baudrate": 9600, "bytesize": 8, "parity": "N", "stopbits": 1}
BUSES: dict[str, Callable[[], FarEnd]] = {
    **ENDS,
    "vxi11-unread-kept": lambda: Vxi11End(keeps_unread=True),
    "vxi11-without-status": lambda: Vxi11End(keeps_unread=True, has_status=False),
}


@contextmanager
def supply_on(bus: str) -> Iterator[Any]:
    """A virtual supply behind a server of that bus."""
    with served(ScpiSupply(Supply(34.3)), lambda name: BUSES[bus]()) as there:
        yield there


@pytest.fixture(params=list(BUSES))
def supply(request: pytest.FixtureRequest) -> Iterator[Any]:
    with supply_on(request.param) as there:
        yield there


def test_a_supply_is_read_and_switched(supply: Any) -> None:
    with driver("scpi", supply.url, **SUPPLY) as here:
        assert next_reading(here).values["supply_V"] == 0.0
        here.switch(True)
        assert next_reading(here).values["supply_V"] == pytest.approx(12.0, rel=0.01)
        here.switch(False)
    assert supply.behaviour.supply.switched == [True, False]


@pytest.mark.parametrize("late_s", [0.4, 1.0], ids=["late", "very late"])
def test_a_late_answer_is_not_taken_for_the_next(supply: Any, late_s: float) -> None:
    # Without an error queue nothing else tells a voltage from a current.
    with driver("scpi", supply.url, errors="", **SUPPLY) as here:
        here.switch(True)
        supply.faults.delay_s = late_s
        assert here.read() is None
        assert here.read() is None
        supply.faults.delay_s = 0.0
        values = [next_reading(here).values for _ in range(3)]
    for each in values:
        assert each["supply_V"] == pytest.approx(12.0, rel=0.01)
        assert each["supply_A"] == pytest.approx(12.0 / 34.3, rel=0.01)


def test_an_instrument_that_falls_silent_is_lost(supply: Any) -> None:
    with driver("scpi", supply.url, **SUPPLY) as here:
        supply.faults.silent = True
        with pytest.raises(InstrumentLost, match="not answered"):
            read_on(here)


def test_a_closed_connection_is_lost_and_opened_again(supply: Any) -> None:
    with driver("scpi", supply.url, **SUPPLY) as here:
        supply.port.unplug()
        with pytest.raises(InstrumentLost):
            read_on(here)
        with pytest.raises(BenchError) as told:
            here.open()
        supply.port.replug()
        here.open()
        assert next_reading(here).values["supply_V"] == 0.0
    assert "\n" not in str(told.value)


def test_switching_off_opens_the_port_again(supply: Any) -> None:
    with driver("scpi", supply.url, **SUPPLY) as here:
        here.switch(True)
        here.close()
        here.switch(False)
    assert not supply.behaviour.supply.on


def supply_settings(port: str) -> Any:
    return settings_class("scpi").model_validate(
        {"name": "made", "driver": "scpi", "port": port, "reply_s": 0.3, **SUPPLY}
    )


@pytest.mark.parametrize("bus", ["hislip", "vxi11"])
def test_the_watchdog_gets_in_beside_a_logger_that_hangs(bus: str) -> None:
    with supply_on(bus) as there, driver("scpi", there.url, **SUPPLY) as here:
        here.switch(True)
        switch_off(orders(supply_settings(there.url)))
        assert there.behaviour.supply.switched == [True, False]


def test_where_one_connection_is_taken_the_watchdog_waits_for_the_logger_to_go() -> None:
    with supply_on("socket") as there:
        with driver("scpi", there.url, **SUPPLY) as here:
            here.switch(True)
            with pytest.raises(OSError, match="not confirmed"):
                switch_off(orders(supply_settings(there.url)))
            assert there.behaviour.supply.on
        switch_off(orders(supply_settings(there.url)))
        assert not there.behaviour.supply.on


def test_an_answer_longer_than_a_chunk_comes_whole() -> None:
    long = "9" * 70_000

    class Long:
        def answer(self, line: str, faults: Any) -> str:
            return long

    for make_end in (lambda: HislipEnd(piece=1000), Vxi11End):
        with served(Long(), lambda name, make_end=make_end: make_end()) as there:
            port = VisaPort(there.url, LINE, 5.0)
            port.write(b"CURV?\n")
            assert port.read() == long.encode() + b"\n"
            port.close()


def test_a_vxi11_instrument_is_found_by_its_port_mapper(monkeypatch: pytest.MonkeyPatch) -> None:
    from pyvisa_py.protocols import rpc

    with supply_on("vxi11") as there:
        # The port mapper's own number, 111, is for the system to give.
        monkeypatch.setattr(rpc, "PMAP_PORT", there.port.number)
        with driver("scpi", "TCPIP0::127.0.0.1::inst0::INSTR", **SUPPLY) as here:
            assert here.identity == IDENTITY


def test_an_instrument_that_another_program_has_locked_is_told_in_one_line() -> None:
    import pyvisa

    with supply_on("vxi11") as there:
        other = pyvisa.ResourceManager().open_resource(there.url)
        other.lock_excl()
        with pytest.raises(InstrumentLost) as told, driver("scpi", there.url, **SUPPLY):
            pass
        other.close()
        with driver("scpi", there.url, **SUPPLY) as here:
            assert next_reading(here).values["supply_V"] == 0.0
    assert "\n" not in str(told.value)


@contextmanager
def other_process(folder: Path, bus: str) -> Iterator[OtherProcess]:
    """The virtual bench in a process of its own, its supply on that bus."""
    program = (sys.executable, "-m", "tests.support.lan_bench", bus)
    with OtherProcess(folder, program=program) as other:
        yield other


@pytest.mark.slow
@pytest.mark.parametrize("bus", ["socket", "hislip", "vxi11"])
def test_a_whole_run_from_start_to_power_off(tmp_path: Path, bus: str) -> None:
    with other_process(tmp_path, bus) as other:
        other.log(tmp_path / "run")
        status, _, said = other.finish()
        assert status == 0, said
        state = other.state()
    assert not state["on"]
    assert state["switched"].count(True) == 1
    assert events(tmp_path / "run")[-1]["reason"] == "finished"
    assert np.nanmax(read_run(tmp_path / "run").power) > 4.0


@pytest.mark.slow
@pytest.mark.parametrize("bus", ["socket", "hislip", "vxi11"])
@pytest.mark.skipif(sys.platform == "win32", reason="there is no SIGKILL")
def test_kill_9_leaves_the_supply_off(tmp_path: Path, bus: str) -> None:
    with other_process(tmp_path, bus) as other:
        other.log(tmp_path / "run", sequence={"heat_s": 600.0})
        other.wait_for(tmp_path / "run", "power_on")
        assert other.state()["on"]
        other.send(signal.SIGKILL)
        other.wait_until_off(10.0)
        other.wait_for_watchdog(tmp_path / "run")
