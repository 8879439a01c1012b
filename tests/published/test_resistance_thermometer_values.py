"""Platinum resistance thermometers against the table of IEC 60751."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.rig.resistance_thermometer import resistance_ohm, temperature_degC

# IEC 60751, table of the resistances of a 100 ohm thermometer, degC and ohm, rounded there to
# 0.01 ohm (seen in makers' reprints of it: sensorsci.com/reference.htm; those over 600 degC from
# memory).
TABLE = [
    (-200.0, 18.52),
    (-150.0, 39.72),
    (-100.0, 60.26),
    (-50.0, 80.31),
    (-10.0, 96.09),
    (0.0, 100.00),
    (10.0, 103.90),
    (50.0, 119.40),
    (100.0, 138.51),
    (150.0, 157.33),
    (200.0, 175.86),
    (300.0, 212.05),
    (400.0, 247.09),
    (500.0, 280.98),
    (600.0, 313.71),
    (700.0, 345.28),
    (800.0, 375.70),
    (850.0, 390.48),
]


@pytest.mark.parametrize(("degC", "ohm"), TABLE)
def test_resistances_are_those_of_the_table(degC: float, ohm: float) -> None:
    assert resistance_ohm(degC) == pytest.approx(ohm, abs=0.0051)
    assert resistance_ohm(degC, 1000.0) == pytest.approx(10 * ohm, abs=0.051)


@pytest.mark.parametrize(("degC", "ohm"), TABLE[1:-1])
def test_temperatures_are_those_of_the_table(degC: float, ohm: float) -> None:
    # 0.005 ohm of rounding is 0.012 to 0.017 K.
    assert temperature_degC(ohm) == pytest.approx(degC, abs=0.018)
    assert temperature_degC(10 * ohm, 1000.0) == pytest.approx(degC, abs=0.018)


@given(st.floats(-200.0, 850.0))
def test_a_temperature_comes_back_from_its_resistance(degC: float) -> None:
    assert temperature_degC(resistance_ohm(degC)) == pytest.approx(degC, abs=1e-6)


@pytest.mark.parametrize("ohm", [-1.0, 0.0, 18.0, 391.0, math.inf, math.nan])
def test_an_open_or_shorted_one_gives_no_temperature(ohm: float) -> None:
    assert math.isnan(temperature_degC(ohm))
