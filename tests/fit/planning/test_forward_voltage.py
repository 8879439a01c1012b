"""The record that is planned with: a die that falls, windows and scans where they belong."""

from __future__ import annotations

import numpy as np
import pytest

from fit.measurement.junction import measure_junction
from fit.measurement.junction_extrapolation import MOST_WINDOWS, extrapolate
from fit.planning.forward_voltage import ForwardVoltage, Heated, Scanned, left, record
from tests.support.made_junctions import draw_part

HEATED = Heated(
    above_K=6.0,
    tau_s=0.02,
    power_W=4.0,
    ambient_degC=23.0,
    tab_rise_K=lambda since_s: -80.0 * np.expm1(-since_s / 1500.0),
)
SCANNED = Scanned("tab", 2.0, 60.0, 0.05, 0.0625, 0.004, 0.005)
VOLTAGE = ForwardVoltage("junction", cool_s=600.0)


def recorded(voltage: ForwardVoltage = VOLTAGE, heat_s: float = 900.0, quieter: float = 1.0):
    random = np.random.default_rng(1)
    return record(HEATED, voltage, SCANNED, heat_s, random=random, quieter=quieter)


def test_the_mean_time_of_the_fall_is_R_times_C() -> None:
    """∫ left dt = R C of a lump, as of any chain heated at its head (Elmore 1948, from memory)."""
    age_s = np.linspace(0.0, 0.4, 40_001)
    assert np.trapezoid(left(age_s, 0.02), age_s) == pytest.approx(0.02, rel=1e-3)


def test_the_line_errs_as_of_made_parts() -> None:
    """Parts of seeds beyond those that the die's share was chosen by."""
    age_s = np.linspace(1e-4, 5e-3, 99)
    missed = []
    for seed in range(200, 240):
        part = draw_part(np.random.default_rng(seed))
        share = part.R_K_per_W / part.total_K_per_W
        each = (part.left(age_s) / part.total_K_per_W, left(age_s, float(share @ part.tau_s)))
        missed.append([extrapolate([(age_s, one)] * 5).volts[0] - 1 for one in each])
    of_parts, planned = np.sqrt(np.mean(np.square(missed), axis=0))
    assert planned == pytest.approx(of_parts, rel=0.6)


def test_with_next_to_no_noise_the_simulated_run_gives_its_resistance_back() -> None:
    found = measure_junction(*recorded(quieter=1e4))
    assert found is not None
    assert found.R_K_per_W == pytest.approx(HEATED.above_K / HEATED.power_W, rel=0.005)
    assert found.windows == MOST_WINDOWS


def test_stated_points_calibrate_a_run_without_cool_down() -> None:
    four_in_series = ((25.0, 2.4), (85.0, 1.92))
    voltage = ForwardVoltage("junction", cool_s=0.0, points=four_in_series)
    found = measure_junction(*recorded(voltage))
    assert found is not None
    assert not found.calibration.of_its_own
    assert found.R_K_per_W == pytest.approx(HEATED.above_K / HEATED.power_W, rel=0.05)


def test_a_long_heating_leaves_no_longer_a_record() -> None:
    short, long = (recorded(heat_s=heat_s)[0] for heat_s in (900.0, 90_000.0))
    assert len(long.t_s) == len(short.t_s)
