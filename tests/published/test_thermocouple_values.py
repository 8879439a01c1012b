"""Thermocouple functions against published values."""

from __future__ import annotations

import numpy as np
import pytest
import thermocouple_its90

from bench.rig.thermocouple import temperature_degC, undo_constant_slope_degC, voltage_uV

# IEC 60584-1 / NIST Monograph 175, reference tables, degC and mV (from memory, rounded there to
# 1 uV; the type K value at 42 degC seen in a table).
TABLE = [
    ("K", 42.0, 1.694),
    ("K", 25.0, 1.000),
    ("K", 100.0, 4.096),
    ("K", 200.0, 8.138),
    ("K", 300.0, 12.209),
    ("K", 500.0, 20.644),
    ("K", -100.0, -3.554),
    ("T", 100.0, 4.279),
    ("T", 200.0, 9.288),
    ("J", 100.0, 5.269),
    ("J", 200.0, 10.779),
    ("E", 100.0, 6.319),
    ("N", 100.0, 2.774),
    ("R", 100.0, 0.647),
    ("S", 100.0, 0.646),
]


@pytest.mark.parametrize(("letter", "degC", "mV"), TABLE)
def test_voltages_are_those_of_the_table(letter: str, degC: float, mV: float) -> None:
    assert voltage_uV(letter, degC) == pytest.approx(1000 * mV, abs=0.6)


@pytest.mark.parametrize(("letter", "degC", "mV"), TABLE)
def test_temperatures_are_those_of_the_table(letter: str, degC: float, mV: float) -> None:
    # 1 uV of rounding is 0.025 K of type K, up to 0.14 K of types R and S.
    tolerance = 0.1 if letter in "RS" else 0.03
    assert temperature_degC(letter, 1000 * mV) == pytest.approx(degC, abs=tolerance)


@pytest.mark.parametrize(
    ("microvolts", "cold_degC", "hot_degC"),
    # An application note's worked example and a converter's data sheet (seen; references.md of the
    # issue): 1.000 mV with the cold junction at 23 degC, 4.096 mV with it at 25 degC.
    [(1000.0, 23.0, 47.4818), (4096.0, 25.0, 124.3)],
)
def test_cold_junctions_are_added_as_voltages(
    microvolts: float, cold_degC: float, hot_degC: float
) -> None:
    found = temperature_degC("K", microvolts, cold_degC)
    assert found == pytest.approx(hot_degC, abs=0.02)


@pytest.mark.parametrize(
    ("true_degC", "error_K"),
    # Chips that assume 41.276 uV/K, cold junction 25 degC: computed independently from the
    # reference function, one decimal.
    [(60.0, -0.2), (100.0, 0.0), (150.0, -0.5), (200.0, -2.1)],
)
def test_a_constant_slope_chips_error_is_undone(true_degC: float, error_K: float) -> None:
    measured_uV = voltage_uV("K", true_degC) - voltage_uV("K", 25.0)
    reported = 25.0 + measured_uV / 41.276
    assert reported - true_degC == pytest.approx(error_K, abs=0.06)
    assert undo_constant_slope_degC("K", reported, 25.0) == pytest.approx(true_degC, abs=0.001)


@pytest.mark.parametrize("letter", list("EJKNRST"))
def test_the_grid_agrees_with_the_librarys_functions(letter: str) -> None:
    function = thermocouple_its90.get(letter)
    true_degC = np.linspace(-40.0, 390.0, 1291)
    exact_uV = np.array([1000 * function.emf(float(t)) for t in true_degC])
    assert np.max(np.abs(voltage_uV(letter, true_degC) - exact_uV)) < 0.02
    assert np.max(np.abs(temperature_degC(letter, exact_uV) - true_degC)) < 0.0005
