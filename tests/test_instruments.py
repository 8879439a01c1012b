"""Drivers against virtual instruments on real serial ports, with everything that goes wrong."""

from __future__ import annotations

import math
import os
import time
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.clock import RealClock
from bench.instruments import DRIVERS, open_driver, settings_class
from bench.instruments.base import Driver
from bench.instruments.line import Settings, parser
from bench.instruments.modbus import Register, parse_write, requests
from bench.instruments.scpi import number
from bench.virtual.modbus import ModbusReader
from bench.virtual.ports import HAS_PTY
from bench.virtual.reader import FORMATS, LineReader
from bench.virtual.supply import ScpiSupply, Supply
from fit.errors import InstrumentLost, InstrumentRefused, PortError
from tests.virtual_instruments import MADE, NODES, PORTS, driver, next_reading, served

needs_pty = pytest.mark.skipif(not HAS_PTY, reason="this system has no pty")
SUPPLY = {
    "queries": {"supply_V": "MEAS:VOLT?", "supply_A": "MEAS:CURR?"},
    "limits": {"VOLT:PROT": 13.0, "CURR:PROT": 0.6},
    "switch": {"on": ["VOLT 12", "CURR 0.5", "OUTP ON"], "off": ["OUTP OFF"]},
}


def reader(values: Any = MADE, form: str = "separated") -> LineReader:
    return LineReader(lambda: values, FORMATS[form])


def parse(line: str, **keys: Any) -> dict[str, float] | None:
    return parser(Settings.model_validate({"name": "a", "driver": "line", "port": "x", **keys}))(
        line
    )


def read_on(here: Driver) -> None:
    """Read, whatever comes, until something ends it."""
    for _ in range(100):
        here.read()


# Lines


@pytest.mark.parametrize(
    ("line", "keys"),
    [
        ("61.25,37.5", {"fields": ["tab", "case"]}),
        (" 61.25 ; 37.5 ", {"fields": ["tab", "case"], "separator": ";"}),
        ("61.25   37.5", {"fields": ["tab", "case"], "separator": " "}),
        ("1,61.25,37.5,9", {"fields": ["_", "tab", "case", "_"]}),
        ("T1=61.25 C T2=37.5", {"pattern": r"T1=(?P<tab>[-\d.]+) C T2=(?P<case>[-\d.]+)"}),
        ('{"tab": 61.25, "case": 37.5, "id": "a"}', {"format": "json"}),
        ('{"t": {"tab": 61.25, "case": 37.5}}', {"format": "json", "fields": ["t.tab", "t.case"]}),
        ("tab=61.25, case: 37.5", {"format": "key=value"}),
        ("case=37.5 tab=61.25 n=3", {"format": "key=value", "fields": ["tab", "case"]}),
    ],
)
def test_each_form_of_line_gives_its_fields(line: str, keys: dict[str, Any]) -> None:
    values = parse(line, **keys)
    assert values is not None
    assert {name.removeprefix("t."): value for name, value in values.items()} == {
        "tab": 61.25,
        "case": 37.5,
    }


@pytest.mark.parametrize(
    ("line", "keys"),
    [
        ("61.25", {"fields": ["tab", "case"]}),
        ("61.25,37.5,3", {"fields": ["tab", "case"]}),
        ("61.25,3x", {"fields": ["tab", "case"]}),
        ("61.25,1_0", {"fields": ["tab", "case"]}),
        ("61.25,inf", {"fields": ["tab", "case"]}),
        ("T1=61", {"pattern": r"T2=(?P<tab>[-\d.]+)"}),
        ('{"tab": 61.25', {"format": "json"}),
        ("[61.25]", {"format": "json"}),
        ('{"tab": true, "case": 1}', {"format": "json", "fields": ["tab", "case"]}),
        ("tab=61.25", {"format": "key=value", "fields": ["tab", "case"]}),
    ],
)
def test_a_line_that_does_not_match_is_no_reading(line: str, keys: dict[str, Any]) -> None:
    assert parse(line, **keys) is None


@pytest.mark.parametrize("word", ["nan", "NaN", "OPEN", ""])
def test_a_sensor_without_reading_is_missing_and_the_others_are_kept(word: str) -> None:
    values = parse(f"61.25,{word}", fields=["tab", "case"])
    assert values is not None
    assert values["tab"] == 61.25
    assert math.isnan(values["case"])


@given(st.text(max_size=80), st.sampled_from(["separated", "json", "key=value", "pattern"]))
def test_no_line_whatever_ends_the_run(line: str, form: str) -> None:
    keys = {"pattern": r"(?P<tab>\S+)"} if form == "pattern" else {"fields": ["tab"]}
    values = parse(line, format=form, **keys)
    assert values is None or set(values) == {"tab"}


@given(st.lists(st.floats(-300, 2000), min_size=5, max_size=5))
def test_what_a_reader_writes_is_what_is_read(values: list[float]) -> None:
    made = dict(zip(NODES, (round(v, 4) for v in values), strict=True))
    for form in ("separated", "json", "key=value"):
        assert parse(FORMATS[form](made), format=form, fields=list(NODES)) == made


# The line driver on a port


@pytest.mark.parametrize("port", PORTS)
def test_a_reader_is_asked(port: Any) -> None:
    with (
        served(reader(), port) as there,
        driver("line", there.url, fields=NODES, query="READ?") as here,
    ):
        assert next_reading(here).values == MADE


@pytest.mark.parametrize("port", PORTS)
def test_a_reader_streams(port: Any) -> None:
    with (
        served(reader(), port, stream_every_s=0.02) as there,
        driver("line", there.url, fields=NODES) as here,
    ):
        times = [next_reading(here).t_s for _ in range(5)]
        assert times == sorted(times)
        assert here.take_bad_lines() == []


def test_garbage_is_kept_as_bad_lines_and_reading_goes_on() -> None:
    noise = iter([b"\xff\x00\xfe21,\n", b"hello\n", b"21.5,22\n"])
    with (
        served(reader(), stream_every_s=0.02) as there,
        driver("line", there.url, fields=NODES) as here,
    ):
        next_reading(here)
        there.faults.garble = lambda data: next(noise, data)
        assert next_reading(here).values == MADE
        time.sleep(0.2)
        for _ in range(6):
            here.read()
        bad = here.take_bad_lines()
        assert len(bad) == 3
        assert bad[1] == "hello"
        assert here.take_bad_lines() == []


def test_half_lines_are_never_taken_for_readings() -> None:
    with (
        served(reader(), stream_every_s=0.02) as there,
        driver("line", there.url, fields=NODES) as here,
    ):
        there.faults.garble = lambda data: data[: len(data) // 2]
        seen = [here.read() for _ in range(10)]
        there.faults.garble = None
        assert all(one is None or one.values == MADE for one in seen)
        assert next_reading(here).values == MADE


def test_a_line_without_end_is_bounded_and_reading_goes_on() -> None:
    with (
        served(reader(), stream_every_s=0.01) as there,
        driver("line", there.url, fields=NODES) as here,
    ):
        there.faults.garble = lambda data: b"7" * 500
        for _ in range(3):
            assert here.read() is None
        there.faults.garble = None
        assert next_reading(here).values == MADE


def test_a_silent_reader_gives_nothing_within_its_deadline() -> None:
    with (
        served(reader()) as there,
        driver("line", there.url, fields=NODES, query="READ?") as here,
    ):
        there.faults.silent = True
        start = time.monotonic()
        assert here.read() is None
        assert 0.25 < time.monotonic() - start < 1.5
        there.faults.silent = False
        assert next_reading(here).values == MADE


def test_an_answer_that_comes_in_pieces_is_one_reading() -> None:
    def in_two(data: bytes) -> bytes:
        there.port.send(data[:7])
        time.sleep(0.15)
        return data[7:]

    with (
        served(reader()) as there,
        driver("line", there.url, fields=NODES, query="READ?", reply_s=1.0) as here,
    ):
        there.faults.garble = in_two
        reading = here.read()
        assert reading is not None
        assert reading.values == MADE


@pytest.mark.parametrize("port", PORTS)
def test_unplugged_is_lost_and_plugged_in_again_it_reads(port: Any) -> None:
    with (
        served(reader(), port, stream_every_s=0.02) as there,
        driver("line", there.url, fields=NODES) as here,
    ):
        next_reading(here)
        before = os.path.realpath(there.url)
        there.port.unplug()
        with pytest.raises(InstrumentLost, match="lost on port"):
            read_on(here)
        with pytest.raises(PortError):
            here.open()
        holder = (
            os.open(os.devnull, os.O_RDONLY) if port is not PORTS[0].values[0] else os.openpty()
        )
        there.port.replug()
        here.open()
        assert next_reading(here).values == MADE
        if isinstance(holder, tuple):
            assert os.path.realpath(there.url) != before
        for descriptor in holder if isinstance(holder, tuple) else (holder,):
            os.close(descriptor)


@needs_pty
def test_a_port_taken_by_another_program_is_named() -> None:
    with served(reader()) as there, driver("line", there.url, fields=NODES):
        settings = settings_class("line")(name="b", driver="line", port=there.url, fields=NODES)
        with pytest.raises(PortError, match="taken by another program"):
            open_driver(settings, RealClock()).open()


def test_a_port_that_does_not_exist_is_named() -> None:
    settings = settings_class("line")(name="b", driver="line", port="/dev/none", fields=NODES)
    with pytest.raises(PortError, match=r"b: port /dev/none (does not exist|cannot be opened)"):
        open_driver(settings, RealClock()).open()


# SCPI


@pytest.mark.parametrize("port", PORTS)
def test_a_supply_is_limited_switched_on_measured_and_switched_off(port: Any) -> None:
    supply = Supply(load_ohm=34.3)
    with served(ScpiSupply(supply), port) as there, driver("scpi", there.url, **SUPPLY) as here:
        here.switch(True)
        assert (supply.protect_V, supply.protect_A, supply.on) == (13.0, 0.6, True)
        assert next_reading(here).values == pytest.approx(
            {"supply_V": 12, "supply_A": 12 / 34.3}, rel=1e-4
        )
        here.switch(False)
        assert not supply.on
        assert next_reading(here).values == {"supply_V": 0.0, "supply_A": 0.0}


def test_limits_are_set_before_the_output_goes_on() -> None:
    lines: list[str] = []

    class Watched(ScpiSupply):
        def answer(self, line: str, faults: Any) -> str | None:
            lines.append(line)
            return super().answer(line, faults)

    with served(Watched(Supply(34.3))) as there, driver("scpi", there.url, **SUPPLY) as here:
        here.switch(True)
    assert lines.index("CURR:PROT 0.6") < lines.index("OUTP ON")
    after_each = [lines[i + 1] for i, line in enumerate(lines) if "?" not in line]
    assert set(after_each) == {"SYST:ERR?"}


def test_a_refused_command_is_named_with_the_supplys_own_words() -> None:
    supply = Supply(34.3)
    with served(ScpiSupply(supply)) as there, driver("scpi", there.url, **SUPPLY) as here:
        there.faults.refuse = "CURR 0.5"
        with pytest.raises(InstrumentRefused, match=r'CURR 0\.5: -222,"Data out of range"'):
            here.switch(True)
        assert not supply.on


def test_a_supply_that_does_not_switch_on_is_found_by_reading_back() -> None:
    class Stuck(ScpiSupply):
        def answer(self, line: str, faults: Any) -> str | None:
            return None if line == "OUTP ON" else super().answer(line, faults)

    with (
        served(Stuck(Supply(34.3))) as there,
        driver("scpi", there.url, **SUPPLY) as here,
        pytest.raises(InstrumentRefused, match=r"told to switch on, but OUTP\? answers '0'"),
    ):
        here.switch(True)


def test_off_is_sent_even_when_the_supply_answers_nothing() -> None:
    supply = Supply(34.3)
    with served(ScpiSupply(supply)) as there, driver("scpi", there.url, **SUPPLY) as here:
        here.switch(True)
        there.faults.silent = True
        with pytest.raises(InstrumentLost):
            here.switch(False)
        assert not supply.on


def test_off_needs_no_open_port() -> None:
    supply = Supply(34.3, on=True)
    with served(ScpiSupply(supply)) as there:
        settings = settings_class("scpi").model_validate(
            {"name": "s", "driver": "scpi", "port": there.url, **SUPPLY}
        )
        other = open_driver(settings, RealClock())
        other.switch(False)
        other.close()
    assert not supply.on


def test_a_late_answer_is_never_taken_for_the_next_one() -> None:
    supply = Supply(load_ohm=10.0)
    with served(ScpiSupply(supply)) as there, driver("scpi", there.url, **SUPPLY) as here:
        supply.set_V, supply.set_A, supply.on = 12.0, 3.0, True
        there.faults.delay_s = 0.35
        assert here.read() is None
        there.faults.delay_s = 0.0
        readings = [reading for _ in range(8) if (reading := here.read()) is not None]
        assert readings
        assert all(one.values == {"supply_V": 12.0, "supply_A": 1.2} for one in readings)


def test_a_supply_that_stays_silent_is_lost_and_comes_back() -> None:
    with served(ScpiSupply(Supply(34.3))) as there, driver("scpi", there.url, **SUPPLY) as here:
        there.faults.silent = True
        with pytest.raises(InstrumentLost, match="not answered"):
            read_on(here)
        there.faults.silent = False
        here.open()
        assert next_reading(here).values["supply_V"] == 0.0


def test_another_instrument_on_the_port_is_not_accepted() -> None:
    with (
        served(ScpiSupply(Supply(34.3))) as there,
        pytest.raises(PortError, match="'heatrun,virtual supply,1,0' answers"),
        driver("scpi", there.url, **SUPPLY, identity="other maker"),
    ):
        pass


def test_nobody_there_is_said_with_what_to_check() -> None:
    with served(reader()) as there:
        there.faults.silent = True
        with (
            pytest.raises(InstrumentLost, match=r"no answer to \*IDN\?.*baud = 9600"),
            driver("scpi", there.url, **SUPPLY),
        ):
            pass


@pytest.mark.parametrize(
    ("answer", "value"), [("+1.200E+01", 12.0), ("12", 12.0), ("12.0 V", 12.0), (".5A", 0.5)]
)
def test_an_answer_is_a_number_with_or_without_its_unit(answer: str, value: float) -> None:
    assert number(answer) == value


@pytest.mark.parametrize("answer", ["9.91E37", "9.9E37", "-9.9E37"])
def test_scpis_own_not_a_number_is_missing(answer: str) -> None:
    assert math.isnan(number(answer))


@pytest.mark.parametrize("answer", ["", "ERR", "1,2", "1_0", "nan", '-222,"Data out of range"'])
def test_an_answer_that_is_no_number_is_refused(answer: str) -> None:
    with pytest.raises(ValueError):  # noqa: PT011
        number(answer)


# Modbus


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


@pytest.mark.parametrize("pty", [pytest.param(True, marks=needs_pty), False])
def test_two_slaves_on_one_line_are_read_scaled_and_switched(pty: bool) -> None:
    supply = Supply(34.3)
    values = {**MADE, "board_back": -40.0}
    with (
        ModbusReader(lambda: values, supply, pty=pty) as there,
        driver("modbus", there.url, **modbus_keys()) as here,
    ):
        expected = {**values, "tab": 61.2}
        assert next_reading(here).values == pytest.approx(expected, abs=1e-9)
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


@pytest.mark.parametrize("kind", DRIVERS)
def test_every_driver_is_closed_twice_without_complaint(kind: str) -> None:
    keys = {"line": {"fields": NODES}, "scpi": SUPPLY, "modbus": modbus_keys()}[kind]
    settings = settings_class(kind).model_validate(
        {"name": "a", "driver": kind, "port": "/dev/none", **keys}
    )
    made = open_driver(settings, RealClock())
    made.close()
    made.close()
