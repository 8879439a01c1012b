"""The SCPI driver against a virtual supply: errors, refusals, late answers, silence."""

from __future__ import annotations

import math
from typing import Any

import pytest

from bench.clock import RealClock
from bench.instruments import open_driver, settings_class
from bench.instruments.scpi import number
from bench.virtual.reader import LineReader
from bench.virtual.supply import ScpiSupply, Supply
from fit.errors import InstrumentLost, InstrumentRefused, PortError
from tests.support.virtual_instruments import (
    MADE,
    PORTS,
    SUPPLY,
    driver,
    next_reading,
    read_on,
    served,
)


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
    with served(LineReader(lambda: MADE)) as there:
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
