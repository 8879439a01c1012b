"""A junction calibrated as a thermometer: voltages by Sze's formula at known temperatures."""

from __future__ import annotations

import numpy as np
import pytest

from fit.errors import NotIdentifiable
from fit.measurement.junction_calibration import Calibration, calibrate, from_points
from tests.support.made_junctions import Reading, voltage

K_V_PER_K = 2e-3
READING = Reading(K_V_per_K=K_V_PER_K, curvature=3.0)
STRAIGHT = Reading(K_V_per_K=K_V_PER_K, curvature=0.0)
TAB_DEGC = np.linspace(80.0, 24.0, 57)
STILL = np.zeros(57)


def line(covariance: np.ndarray) -> Calibration:
    """0.5 V at 325 K, falling by 2 mV/K, without curvature or lag."""
    return Calibration(325.0, np.array([0.5, K_V_PER_K, 0.0, 0.0]), covariance, 0.1)


@pytest.mark.parametrize("covariance", [np.diag([1e-8, 1e-10, 1.0, 1e-8]), np.zeros((4, 4))])
def test_drop_moves_with_the_level_by_its_inverse_slope_and_with_the_lag_by_the_tabs(
    covariance: np.ndarray,
) -> None:
    """By hand, at T_r: dT/dV_r = 1/K, and the bead reads L dT/dt less than its tab, L = (K L)/K."""
    one = np.ones(1)
    level, _, bend, lag = line(covariance).sensitivity(0.5 * one, 50.0 * one, -0.04 * one)
    assert level == pytest.approx(1 / K_V_PER_K, rel=1e-3)
    assert lag == pytest.approx(0.04 / K_V_PER_K, rel=1e-3)
    assert bend == pytest.approx(0.0, abs=1e-6)


def test_drop_moves_with_the_slope_in_proportion_to_its_distance_from_the_middle() -> None:
    """T − T_r = (V_r − V)/K: 20 K above it, a slope 1 % larger makes 0.2 K less of it."""
    one = np.ones(1)
    moved = line(np.diag([1e-8, 1e-12, 1.0, 1e-8])).sensitivity(0.46 * one, 50 * one, 0 * one)
    assert 0.01 * K_V_PER_K * moved[1] == pytest.approx(-0.2, rel=1e-3)


def test_sensitivity_is_that_of_the_mean_of_all_windows() -> None:
    lines = line(np.diag([1e-8, 1e-12, 1.0, 1e-8]))
    tab, slope = np.array([50.0, 50.0]), np.array([-0.02, -0.06])
    assert lines.sensitivity(np.full(2, 0.5), tab, slope)[3] == pytest.approx(0.04 / K_V_PER_K)


def test_drop_beyond_the_cool_down_follows_silicons_curvature() -> None:
    """Calibrated from 24 to 80 °C, read at 110 °C with the tab at 80 °C: 30 K."""
    found = calibrate(voltage(READING, TAB_DEGC), TAB_DEGC, STILL)
    volts = voltage(READING, np.array([110.0]))
    assert found.above_K(volts, np.array([80.0]), np.zeros(1)) == pytest.approx([30.0], abs=1e-3)


def test_slope_is_that_at_the_middle_of_the_calibration() -> None:
    """dV/dT = −K − n k/q ln(T/300 K): 52 °C is 325.15 K, 2 mV/K + 3 x 0.08617 x 0.0805."""
    found = calibrate(voltage(READING, TAB_DEGC), TAB_DEGC, STILL)
    assert found.K_mV_per_K == pytest.approx(2.0208, abs=2e-4)


def test_a_lagging_bead_is_told_by_fast_and_slow_cooling() -> None:
    """It reads T − L dT/dt: 2 s of 1, 0 and 0.5 K/s."""
    slope = -np.resize([1.0, 0.0, 0.5], 57)
    found = calibrate(voltage(READING, TAB_DEGC + 2.0 * slope), TAB_DEGC, slope, (1.0, 5.0))
    assert found.unknown[3] / found.unknown[1] == pytest.approx(2.0, abs=0.01)


def test_a_lag_that_nothing_tells_stays_what_it_was_known_to_be() -> None:
    """No slope, no lag: 1.5 s ± 3 s / sqrt(12), JCGM 101, 6.4.2, in place of one that is stated."""
    volts = voltage(STRAIGHT, TAB_DEGC)
    found = calibrate(volts, TAB_DEGC, STILL)
    assert found.unknown[3] / K_V_PER_K == pytest.approx(1.5, rel=0.02)
    assert np.sqrt(found.covariance[3, 3]) / K_V_PER_K == pytest.approx(0.866, rel=0.02)
    told = calibrate(volts, TAB_DEGC, STILL, (0.7, 0.1))
    assert told.unknown[3] / K_V_PER_K == pytest.approx(0.7, rel=0.02)
    assert np.sqrt(told.covariance[3, 3]) / K_V_PER_K == pytest.approx(0.1, rel=0.02)


def noisy(seed: int, scatter_K: float = 0.2) -> Calibration:
    seen = TAB_DEGC + scatter_K * np.random.default_rng(seed).standard_normal(57)
    return calibrate(voltage(STRAIGHT, TAB_DEGC), seen, STILL)


def test_scatter_is_stated_in_kelvins() -> None:
    found = np.mean([noisy(seed).scatter_K for seed in range(20)])
    assert found == pytest.approx(0.2, rel=0.1)


def test_uncertainty_of_the_slope_is_the_spread_of_many_calibrations() -> None:
    """White noise; 0.2 K over 57 windows of 56 K."""
    many = [noisy(seed) for seed in range(60)]
    spread = np.std([one.K_mV_per_K for one in many], ddof=1)
    stated = np.sqrt(np.mean([one.K_u_mV_per_K**2 for one in many]))
    assert spread / stated == pytest.approx(1.0, abs=0.3)


POINTS = tuple((degC, float(voltage(READING, np.array([degC]))[0])) for degC in (25.0, 60.0, 95.0))
SOAK = np.full(8, 23.0)


def test_points_of_another_thermometer_keep_their_slope_and_take_the_soaks_level() -> None:
    """Windows of a soak that read 4 mV more, 2 K colder: the drop is counted from there."""
    volts = voltage(READING, SOAK) + 4e-3
    found = from_points(POINTS, volts, SOAK)
    assert found.above_K(volts, SOAK, np.zeros(8)) == pytest.approx(np.zeros(8), abs=1e-9)
    drop = voltage(READING, np.array([53.0])) + 4e-3
    assert found.above_K(drop, np.array([43.0]), np.zeros(1)) == pytest.approx([10.0], abs=0.05)


def test_a_slope_by_points_is_as_sure_as_an_oven_with_a_thermometer() -> None:
    """0.5 K (common practice) on three points 35 K apart: u_K / K = 0.5 K / sqrt(2 x 35² K²)."""
    found = from_points(POINTS, voltage(READING, SOAK), SOAK)
    assert found.K_u_mV_per_K / found.K_mV_per_K == pytest.approx(
        0.5 / np.sqrt(2 * 35**2), rel=0.02
    )


def test_at_the_soak_points_leave_no_more_open_than_its_own_scatter() -> None:
    """What turns the slope turns it about the soak: eight windows of ±0.3 K, 0.3 K/sqrt(8)."""
    seen = SOAK + 0.3 * np.tile([1.0, -1.0], 4)
    found = from_points(POINTS, voltage(READING, SOAK), seen)
    moved = found.sensitivity(voltage(READING, SOAK[:1]), SOAK[:1], np.zeros(1))
    u_K = np.sqrt(moved @ found.covariance @ moved)
    assert u_K == pytest.approx(0.3 / np.sqrt(8), rel=0.05)


@pytest.mark.parametrize(("windows", "span_K"), [(7, 20.0), (8, 4.9)])
def test_too_few_windows_or_too_small_a_range_calibrate_nothing(
    windows: int, span_K: float
) -> None:
    def calibrated(windows: int, span_K: float) -> Calibration:
        degC = np.linspace(25.0 + span_K, 25.0, windows)
        return calibrate(voltage(STRAIGHT, degC), degC, np.zeros(windows))

    assert calibrated(8, 5.1).K_mV_per_K == pytest.approx(2.0, rel=0.01)
    with pytest.raises(NotIdentifiable, match="do not calibrate"):
        calibrated(windows, span_K)


@pytest.mark.parametrize(
    ("slope", "taken"), [(0.45, False), (0.55, True), (9.5, True), (11.0, False)]
)
def test_from_one_diode_to_four_in_series_a_slope_is_a_junctions(slope: float, taken: bool) -> None:
    volts = voltage(Reading(K_V_per_K=1e-3 * slope, curvature=0.0), TAB_DEGC)
    if taken:
        assert calibrate(volts, TAB_DEGC, STILL).K_mV_per_K == pytest.approx(slope, rel=0.01)
    else:
        with pytest.raises(NotIdentifiable, match="mV/K"):
            calibrate(volts, TAB_DEGC, STILL)
