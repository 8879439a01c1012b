"""VISA resources: which ports are, what is said where one cannot be had, when the bus is read."""

from __future__ import annotations

import sys
from typing import Any

import pytest

from bench.instruments.visa import VisaPort, is_resource
from bench.rig.schema import rig_from
from bench.virtual.supply import ScpiSupply, Supply
from fit.errors import BenchError, PortError, RigError
from tests.support.bench_rigs import tables
from tests.support.lan_bench import ENDS
from tests.support.virtual_instruments import SUPPLY, driver, served

LINE = {"baudrate": 9600, "bytesize": 8, "parity": "N", "stopbits": 1}


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


def test_the_bus_is_not_read_where_no_answer_is_owed() -> None:
    with served(ScpiSupply(Supply(34.3)), lambda name: ENDS["socket"]()) as there:
        port = VisaPort(there.url, LINE, 5.0)
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


def test_a_session_is_not_left_open_where_it_cannot_be_set_up(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import pyvisa

    closed = []

    class Refusing:
        def __setattr__(self, name: str, value: Any) -> None:
            raise ValueError(f"{name} is\nnot for {value}")

        def close(self) -> None:
            closed.append(True)

    class Manager:
        def open_resource(self, *_: Any, **__: Any) -> Refusing:
            return Refusing()

    monkeypatch.setattr(pyvisa, "ResourceManager", Manager)
    with pytest.raises(OSError, match="cannot be opened: timeout is not for 300"):
        VisaPort("GPIB0::5::INSTR", LINE, 0.3)
    assert closed == [True]
