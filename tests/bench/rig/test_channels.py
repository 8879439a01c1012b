"""From raw readings to node temperatures: units, thermocouple types, cold junctions."""

from __future__ import annotations

import io
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.acquisition.run_loop import heat_run
from bench.clock import LockStepClock
from bench.instruments.base import Reading
from bench.rig.channels import drawn_W, temperatures_degC
from bench.rig.schema import Rig, rig_from
from bench.rig.thermocouple import temperature_degC, voltage_uV
from bench.virtual.reader import LineReader
from fit.records.run import read_run
from tests.support.virtual_instruments import MADE, driver, next_reading, served


def rig(*channels: dict[str, Any]) -> Rig:
    fields = [channel["field"] for channel in channels]
    reader = {"name": "reader", "driver": "line", "port": "/dev/reader", "fields": fields}
    return rig_from(
        {
            "schema": 1,
            "instrument": [reader],
            "channel": [{"instrument": "reader", **channel} for channel in channels],
            "power": {"source": "stated", "power_W": 4.2},
        },
        "rig.toml",
    )


def read(rig: Rig, **values: float) -> dict[str, float]:
    return temperatures_degC(rig, {"reader": Reading(0.0, values)})


@pytest.mark.parametrize(
    ("unit", "raw", "degC"), [("degC", 25.0, 25.0), ("K", 298.15, 25.0), ("degF", 77.0, 25.0)]
)
def test_units_become_degrees_celsius(unit: str, raw: float, degC: float) -> None:
    made = rig({"node": "tab", "field": "a", "unit": unit})
    assert read(made, a=raw)["tab"] == pytest.approx(degC, abs=1e-9)


@pytest.mark.parametrize(
    ("unit", "raw", "written"), [("K", 296.65, "23.5"), ("degF", 73.76, "23.2")]
)
def test_a_unit_leaves_no_digits_of_its_own(unit: str, raw: float, written: str) -> None:
    assert repr(read(rig({"node": "tab", "field": "a", "unit": unit}), a=raw)["tab"]) == written


@pytest.mark.parametrize(
    ("keys", "raw", "degC"),
    [
        # A sensor of 10 mV/K with 500 mV at 0 degC, read in either unit (common practice).
        ({"unit": "mV", "scale": 0.1, "offset": -50.0}, 750.0, 25.0),
        ({"unit": "V", "scale": 100.0, "offset": -50.0}, 0.75, 25.0),
        ({"unit": "ohm", "scale": 2.5}, 10.0, 25.0),
        # IEC 60751, table: 138.51 ohm at 100 degC; IEC 60584-1, type K: 4.096 mV at 100 degC.
        ({"unit": "ohm", "resistance_thermometer": "PT100"}, 138.5055, 100.0),
        ({"unit": "ohm", "resistance_thermometer": "PT1000"}, 1385.055, 100.0),
        ({"unit": "mV", "thermocouple": "K", "cold_junction_degC": 0.0}, 4.0962, 100.0),
        ({"unit": "V", "thermocouple": "K", "cold_junction_degC": 0.0}, 0.0040962, 100.0),
    ],
)
def test_volts_and_ohms_become_degrees_celsius(
    keys: dict[str, Any], raw: float, degC: float
) -> None:
    made = rig({"node": "tab", "field": "a", **keys})
    assert read(made, a=raw)["tab"] == pytest.approx(degC, abs=0.01)


def test_an_open_resistance_thermometer_is_no_reading() -> None:
    made = rig({"node": "tab", "field": "a", "unit": "ohm", "resistance_thermometer": "PT100"})
    assert math.isnan(read(made, a=9.9e37)["tab"])


def test_a_resistance_thermometer_can_be_the_cold_junction() -> None:
    made = rig(
        {"node": "box", "field": "b", "unit": "ohm", "resistance_thermometer": "PT100"},
        {"node": "tab", "field": "a", "unit": "uV", "thermocouple": "K", "cold_junction": "box"},
    )
    assert read(made, a=0.0, b=107.79)["tab"] == pytest.approx(20.0, abs=0.02)


def test_microvolts_take_their_cold_junction_from_another_channel_in_its_own_unit() -> None:
    made = rig(
        {
            "node": "tab",
            "field": "a",
            "unit": "uV",
            "thermocouple": "K",
            "cold_junction": "terminal",
        },
        {"node": "terminal", "field": "b", "unit": "K"},
    )
    assert read(made, a=1000.0, b=23.0 + 273.15)["tab"] == pytest.approx(47.482, abs=0.001)


def test_a_held_cold_junction_is_stated() -> None:
    ice = {"unit": "uV", "thermocouple": "K", "cold_junction_degC": 0.0}
    made = rig({"node": "tab", "field": "a", **ice})
    assert read(made, a=4096.0)["tab"] == pytest.approx(100.0, abs=0.01)


def test_a_chip_with_a_constant_slope_is_corrected() -> None:
    chip = {"thermocouple": "K", "constant_uV_per_K": 41.276, "cold_junction_degC": 25.0}
    made = rig({"node": "tab", "field": "a", **chip})
    assert read(made, a=200.0)["tab"] == pytest.approx(202.1, abs=0.05)


def test_a_missing_cold_junction_leaves_the_temperature_missing() -> None:
    made = rig(
        {"node": "tab", "field": "a", "unit": "uV", "thermocouple": "K", "cold_junction": "box"},
        {"node": "box", "field": "b"},
    )
    assert math.isnan(read(made, a=1000.0, b=math.nan)["tab"])
    assert math.isnan(read(made, a=1000.0)["tab"])


def test_an_instrument_that_is_silent_leaves_its_nodes_missing() -> None:
    made = rig({"node": "tab", "field": "a"})
    assert math.isnan(temperatures_degC(made, {})["tab"])


def test_a_voltage_out_of_the_types_range_is_no_temperature() -> None:
    assert math.isnan(temperature_degC("K", 80000.0))
    assert math.isnan(voltage_uV("K", 2000.0))


@given(st.floats(-50.0, 380.0), st.floats(-40.0, 80.0), st.sampled_from("EJKNT"))
def test_a_temperature_survives_being_a_voltage(hot: float, cold: float, letter: str) -> None:
    measured_uV = voltage_uV(letter, hot) - voltage_uV(letter, cold)
    assert temperature_degC(letter, measured_uV, cold) == pytest.approx(hot, abs=1e-3)


def test_whole_columns_are_converted_at_once() -> None:
    true = np.linspace(0.0, 200.0, 11)
    assert temperature_degC("K", voltage_uV("K", true)) == pytest.approx(true, abs=1e-3)


def test_a_microvolt_reader_on_a_port_gives_the_true_temperatures() -> None:
    cold_degC = MADE["ambient"]
    sent = {
        node: float(voltage_uV("K", true) - voltage_uV("K", cold_degC))
        for node, true in MADE.items()
        if node != "ambient"
    } | {"ambient": cold_degC}
    raw = {"unit": "uV", "thermocouple": "K", "cold_junction": "ambient"}
    made = rig(
        *({"node": node, "field": node, **raw} for node in MADE if node != "ambient"),
        {"node": "ambient", "field": "ambient"},
    )
    with (
        served(LineReader(lambda: sent)) as there,
        driver("line", there.url, fields=list(sent), query="READ?") as here,
    ):
        found = temperatures_degC(made, {"reader": next_reading(here)})
    assert found == pytest.approx(MADE, abs=0.05)


def test_a_microvolt_heat_run_records_the_tables_temperatures(tmp_path: Path) -> None:
    # Type K at 0, 20, 40, 60, 80 degC, cold junction in ice: 0, 798, 1612, 2436, 3267 uV (IEC
    # 60584-1, reference table, from memory, rounded there to 1 uV = 0.025 K).
    table_uV = {"tab": 3267.0, "board_back": 2436.0, "bar": 1612.0, "case": 798.0, "ambient": 0.0}
    expected = {"tab": 80.0, "board_back": 60.0, "bar": 40.0, "case": 20.0, "ambient": 0.0}
    raw = {"unit": "uV", "thermocouple": "K", "cold_junction_degC": 0.0}
    with served(LineReader(lambda: table_uV)) as there:
        tables = rig(*({"node": n, "field": n, **raw} for n in table_uV)).document()
        tables["instrument"][0] |= {"port": there.url, "query": "READ?"}
        tables["sequence"] |= {
            "soak_s": 4,
            "heat_s": 4,
            "heat_until": "time",
            "isothermal_K": 100.0,
        }
        result = heat_run(
            rig_from(tables, "rig.toml"),
            clock=LockStepClock(),
            folder=tmp_path / "run",
            keyboard=io.StringIO("\n\n"),
        )
    run = read_run(result.folder)
    assert len(run.t_s) > 8
    for i, node in enumerate(run.nodes):
        assert run.temperature_degC[:, i] == pytest.approx(expected[node], abs=0.05)


def test_power_is_volts_times_amperes_or_as_read() -> None:
    made = rig({"node": "tab", "field": "a"})
    both = Reading(0.0, {"supply_V": 12.0, "supply_A": 0.35})
    assert drawn_W(made, {"supply": both})[""] == pytest.approx(4.2)
    assert drawn_W(made, {"meter": Reading(0.0, {"power_W": 4.1})}) == {"": 4.1}
    assert math.isnan(drawn_W(made, {"meter": Reading(0.0, {"supply_V": 12.0})})[""])
