"""The Modbus driver against a pymodbus server: a pty pair, RTU over a socket, Modbus TCP."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from bench.acquisition.run_loop import heat_run
from bench.clock import LockStepClock
from bench.instruments.modbus import Register, Settings, requests
from bench.instruments.modbus_write import parse_write
from bench.rig.schema import rig_from
from bench.virtual.modbus import ModbusReader
from bench.virtual.ports import HAS_PTY
from bench.virtual.supply import Supply
from fit.errors import InstrumentLost, PortError
from fit.records.run import read_run
from tests.support.virtual_instruments import MADE, NODES, driver, next_reading, read_on, served

needs_pty = pytest.mark.skipif(not HAS_PTY, reason="this system has no pty")


def modbus_keys() -> dict[str, Any]:
    tenths = [{"field": n, "address": i, "scale": 0.1} for i, n in enumerate(NODES[:2])]
    floats = [
        {"field": n, "address": 2 * i, "slave": 2, "type": "float32", "word_order": "little"}
        for i, n in enumerate(NODES[2:])
    ]
    return {
        "baud": 115200,
        "reply_s": 1.0,
        "register": [*tenths, *floats],
        "switch": {"on": ["slave 1 coil 0 = 1"], "off": ["slave 1 coil 0 = 0"]},
    }


KINDS = [
    pytest.param({"pty": True}, id="pty", marks=needs_pty),
    pytest.param({"pty": False}, id="rtu over a socket"),
    pytest.param({"tcp": True}, id="tcp"),
]


@pytest.mark.parametrize("kind", KINDS)
def test_two_slaves_on_one_line_are_read_scaled_and_switched(kind: dict[str, bool]) -> None:
    supply = Supply(34.3)
    values = {**MADE, "board_back": -40.0}
    with (
        ModbusReader(lambda: values, supply, **kind) as there,
        driver("modbus", there.url, **modbus_keys()) as here,
    ):
        expected = {**values, "tab": 61.2}
        come = next_reading(here).values
        assert come == pytest.approx(expected, abs=1e-9)
        assert repr(come["tab"]) == "61.2"
        here.switch(True)
        assert supply.on
        here.switch(False)
        assert not supply.on


@needs_pty
def test_a_slave_that_complains_is_a_bad_line_and_no_reading() -> None:
    with (
        ModbusReader(lambda: MADE, Supply(34.3)) as there,
        driver("modbus", there.url, **modbus_keys()) as here,
    ):
        there.dead.add(2)
        assert here.read() is None
        assert here.take_bad_lines() == ["slave 2 input 0: exception 4"]
        there.dead.clear()
        assert next_reading(here).values["bar"] == 41.0


def test_a_modbus_line_that_nobody_answers_is_lost() -> None:
    class Mute:
        def answer(self, line: str, faults: Any) -> str | None:
            return None

        unasked = answer

    with (
        served(Mute()) as there,
        pytest.raises(InstrumentLost, match="no answer"),
        driver("modbus", there.url, **{**modbus_keys(), "reply_s": 0.2}),
    ):
        pass


def test_neighbouring_registers_are_read_in_one_request() -> None:
    made = tuple(
        Register(field=str(i), address=address, slave=slave, type=kind)
        for i, (slave, address, kind) in enumerate(
            [(1, 0, "int16"), (1, 1, "float32"), (1, 3, "int16"), (1, 9, "int16"), (2, 4, "int16")]
        )
    )
    assert [(r.slave, r.address, r.count) for r in requests(made)] == [
        (1, 0, 4),
        (1, 9, 1),
        (2, 4, 1),
    ]


@pytest.mark.parametrize("command", ["coil 0", "coil x = 1", "OUTP ON", "slave coil 0 = 1"])
def test_a_switch_command_that_is_no_write_is_refused(command: str) -> None:
    with pytest.raises(ValueError, match="is no write"):
        parse_write(command)


@pytest.mark.parametrize("kind", [KINDS[0], KINDS[2]])
def test_a_whole_heat_run_over_modbus(tmp_path: Path, kind: dict[str, bool]) -> None:
    supply = Supply(34.3)
    clock = LockStepClock()
    with ModbusReader(lambda: {**MADE, "tab": 23.0 + 20.0 * supply.on}, supply, **kind) as there:
        instrument = {"name": "modules", "driver": "modbus", "port": there.url, **modbus_keys()}
        channels = [{"node": n, "instrument": "modules", "field": n} for n in NODES]
        rig = rig_from(
            {
                "schema": 1,
                "instrument": [instrument],
                "channel": channels,
                "power": {"source": "stated", "power_W": 4.2, "switch": "modules"},
                "sequence": {
                    "interval_s": 2.0,
                    "soak_s": 10,
                    "heat_s": 20,
                    "heat_until": "time",
                    "cool_s": 6,
                    "isothermal_K": 100.0,
                },
            },
            "rig.toml",
        )
        result = heat_run(rig, clock=clock, folder=tmp_path / "run")
    assert (result.reason, result.power_is_off) == ("finished", True)
    assert supply.switched[0] is False  # off before the start
    assert supply.switched.count(True) == 1
    assert supply.switched[-1] is False
    run = read_run(result.folder)
    heated = run.power > 0
    assert set(run.power[heated]) == {4.2}
    tab = run.temperature_degC[:, run.nodes.index("tab")]
    assert set(tab[heated][1:].round(3)) == {43.0}
    bar = run.temperature_degC[:, run.nodes.index("bar")]
    assert set(bar.round(3)) == {41.0}


def test_modbus_tcp_that_nobody_answers_is_refused_in_one_line() -> None:
    with (
        pytest.raises(PortError, match=r"nobody answers at 127\.0\.0\.1, port 1;"),
        driver("modbus", "tcp://127.0.0.1:1", **modbus_keys()),
    ):
        pass


def test_a_modbus_tcp_server_that_goes_away_is_lost() -> None:
    with ModbusReader(lambda: MADE, Supply(34.3), tcp=True) as there:
        made = driver("modbus", there.url, **{**modbus_keys(), "reply_s": 0.2})
        here = made.__enter__()
        next_reading(here)
    with pytest.raises(InstrumentLost):
        read_on(here)
    here.close()


@pytest.mark.parametrize(
    ("port", "address"),
    [("tcp://meter", ("meter", 502)), ("tcp://[::1]:1502", ("::1", 1502)), ("/dev/ttyS0", None)],
)
def test_the_address_of_modbus_tcp_is_read(port: str, address: Any) -> None:
    settings = Settings(name="a", driver="modbus", port=port, **modbus_keys())
    assert settings.address == address


@pytest.mark.parametrize("port", ["tcp://", "tcp://meter:x", "tcp://meter:99999", "tcp://meter/a"])
def test_what_is_no_address_is_said(port: str) -> None:
    problem = Settings(name="a", driver="modbus", port=port, **modbus_keys()).problem()
    assert problem is not None
    assert "is no address; write tcp://HOST:502" in problem


def test_slave_255_is_of_modbus_tcp_alone() -> None:
    register = {"field": "tab", "address": 0, "slave": 255}
    tcp, line = (
        Settings(name="a", driver="modbus", port=port, register=[register])
        for port in ("tcp://meter", "/dev/ttyS0")
    )
    assert tcp.problem() is None
    assert "is of slave 255" in str(line.problem())
