"""SCPI over VISA: pyvisa with pyvisa-py, raw sockets on loopback to the virtual instruments."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bench.instruments.visa import VisaPort, is_resource
from bench.rig.schema import rig_from
from bench.virtual.ports import SocketEnd
from bench.virtual.supply import ScpiSupply, Supply
from fit.errors import BenchError, InstrumentLost, PortError, RigError
from fit.records.run import read_run
from tests.support.bench_rigs import OtherProcess, events, tables
from tests.support.virtual_instruments import SUPPLY, driver, next_reading, read_on, served

LINE = {"baudrate": 9600, "bytesize": 8, "parity": "N", "stopbits": 1}


def resource(url: str) -> str:
    """`socket://HOST:PORT` as VISA names it."""
    host, number = url.removeprefix("socket://").split(":")
    return f"TCPIP0::{host}::{number}::SOCKET"


@pytest.fixture
def supply_port() -> Iterator[tuple[Any, str]]:
    with served(ScpiSupply(Supply(34.3)), lambda name: SocketEnd()) as there:
        yield there, resource(there.url)


def test_a_supply_is_read_and_switched_over_visa(supply_port: tuple[Any, str]) -> None:
    there, port = supply_port
    with driver("scpi", port, **SUPPLY) as here:
        assert next_reading(here).values["supply_V"] == 0.0
        here.switch(True)
        assert next_reading(here).values["supply_V"] == pytest.approx(12.0, rel=0.01)
        here.switch(False)
    assert there.behaviour.supply.switched == [True, False]


def test_a_late_answer_is_not_taken_for_the_next(supply_port: tuple[Any, str]) -> None:
    there, port = supply_port
    with driver("scpi", port, **SUPPLY) as here:
        here.switch(True)
        there.faults.delay_s = 0.5
        assert here.read() is None
        there.faults.delay_s = 0.0
        values = next_reading(here).values
    assert values["supply_V"] == pytest.approx(12.0, rel=0.01)
    assert values["supply_A"] == pytest.approx(12.0 / 34.3, rel=0.01)


def test_an_instrument_that_falls_silent_is_lost(supply_port: tuple[Any, str]) -> None:
    there, port = supply_port
    with driver("scpi", port, **SUPPLY) as here:
        there.faults.silent = True
        with pytest.raises(InstrumentLost):
            read_on(here)


def test_where_nobody_answers_it_is_said_in_one_line() -> None:
    with (
        pytest.raises(BenchError, match=r"port TCPIP0::127\.0\.0\.1::1::SOCKET") as told,
        driver("scpi", "TCPIP0::127.0.0.1::1::SOCKET", **SUPPLY),
    ):
        pass
    assert "\n" not in str(told.value)


def test_without_pyvisa_it_is_said_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyvisa", None)
    with (
        pytest.raises(PortError, match=r"pip install 'heatrun\[visa\]'"),
        driver("scpi", "GPIB0::5::INSTR", **SUPPLY),
    ):
        pass


def test_the_bus_is_not_read_where_no_answer_is_owed(supply_port: tuple[Any, str]) -> None:
    _, name = supply_port
    port = VisaPort(name, LINE, 5.0)
    port.write(b"VOLT 12\n")
    assert port.read() == b""
    port.write(b"VOLT?\n")
    assert port.read() == b"12.000\n"
    port.close()


def test_a_resource_is_for_scpi_alone() -> None:
    made = tables({"reader": "GPIB0::5::INSTR", "supply": "socket://127.0.0.1:1"})
    with pytest.raises(RigError, match="a VISA resource is for scpi instruments"):
        rig_from(made, "rig.toml")


@pytest.mark.parametrize("port", ["/dev/ttyUSB0", "COM5", "socket://[::1]:5025", "rfc2217://a:1"])
def test_other_ports_are_no_resources(port: str) -> None:
    assert not is_resource(port)


@pytest.mark.slow
def test_a_whole_run_from_start_to_power_off(tmp_path: Path) -> None:
    with OtherProcess(tmp_path, "--socket") as other:
        other.ports["supply"] = resource(other.ports["supply"])
        other.log(tmp_path / "run")
        status, _, said = other.finish()
        assert status == 0, said
        state = other.state()
    assert not state["on"]
    assert state["switched"].count(True) == 1
    assert events(tmp_path / "run")[-1]["reason"] == "finished"
    assert np.nanmax(read_run(tmp_path / "run").power) > 4.0


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="there is no SIGKILL")
def test_kill_9_leaves_the_supply_off(tmp_path: Path) -> None:
    with OtherProcess(tmp_path, "--socket") as other:
        other.ports["supply"] = resource(other.ports["supply"])
        other.log(tmp_path / "run", sequence={"heat_s": 600.0})
        other.wait_for(tmp_path / "run", "power_on")
        assert other.state()["on"]
        other.send(signal.SIGKILL)
        other.wait_until_off(10.0)
        other.wait_for_watchdog(tmp_path / "run")
