"""The time-constant spectrum and the cumulative R-C curve."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import trapezoid

from fit.compact_model.structure_function import (
    cumulative_curve,
    heated_impedance,
    time_constant_spectrum,
)
from fit.identification.identify import identify
from fit.network.foster import cauer_to_foster, response_to_power, step_response
from fit.records.run import Event, Run

t_s = np.logspace(-2, 4, 400)


@pytest.fixture(scope="module")
def spectrum():
    """Of two time constants, 1 s with 1 K/W and 300 s with 2 K/W."""
    return time_constant_spectrum(t_s, step_response([1.0, 2.0], [1.0, 300.0], t_s))


@pytest.mark.parametrize(("R", "tau", "fast"), [(1.0, 1.0, True), (2.0, 300.0, False)])
def test_each_time_constant_is_a_peak_with_its_resistance(spectrum, R, tau, fast):
    peak = (spectrum.tau_s < 17) == fast
    weight = spectrum.R_K_per_W[peak]
    assert weight.sum() == pytest.approx(R, rel=0.01)
    centre = np.exp(np.sum(weight * np.log(spectrum.tau_s[peak])) / weight.sum())
    assert centre == pytest.approx(tau, rel=0.02)


def test_spectrum_is_never_negative_even_with_noise():
    noise = np.random.default_rng(3).normal(0, 0.02, t_s.size)
    noisy = time_constant_spectrum(t_s, step_response([1.0, 2.0], [1.0, 300.0], t_s) + noise)
    assert noisy.R_K_per_W.min() >= 0
    assert noisy.R_K_per_W.sum() == pytest.approx(3.0, rel=0.05)


def test_density_integrates_to_the_resistance(spectrum):
    total = trapezoid(spectrum.density_K_per_W, np.log(spectrum.tau_s))
    assert total == pytest.approx(3.0, rel=1e-3)


def test_dense_linear_record_gives_the_same_peaks():
    t = np.arange(1.0, 7200.0)
    found = time_constant_spectrum(t, step_response([1.0, 2.0], [10.0, 600.0], t))
    assert found.R_K_per_W[found.tau_s < 80].sum() == pytest.approx(1.0, rel=0.03)


def test_cumulative_curve_walks_the_ladder():
    R, C = np.array([1.0, 2.0, 3.0]), np.array([0.5, 5.0, 50.0])
    curve = cumulative_curve(*cauer_to_foster(R, C))
    assert curve.R_K_per_W == pytest.approx([0.0, 1.0, 3.0])
    assert curve.C_J_per_K == pytest.approx([0.5, 5.5, 55.5])
    assert curve.total_K_per_W == pytest.approx(6.0)


def test_cumulative_curve_of_a_step_response_finds_the_treads_of_its_ladder():
    R, C = np.array([1.0, 2.0, 3.0]), np.array([0.5, 50.0, 5000.0])
    t = np.logspace(-3, 6.5, 800)
    spectrum = time_constant_spectrum(t, step_response(*cauer_to_foster(R, C), t))
    curve = cumulative_curve(spectrum.R_K_per_W, spectrum.tau_s)
    met = np.interp([2.0, 2.5, 4.0, 5.0], curve.R_K_per_W, curve.C_J_per_K)
    assert met == pytest.approx([50.5, 50.5, 5050.5, 5050.5], rel=0.06)
    assert curve.total_K_per_W == pytest.approx(6.0, rel=1e-3)


LAG_S = 2.0


@pytest.mark.parametrize(("lag_s", "found_s"), [((), 7.93), ((LAG_S,), 5.0)])
def test_a_known_lag_is_undone(lag_s, found_s):
    """1 K/W at 5 s and 2 K/W at 300 s, read by a sensor of 2 s (partial fractions)."""
    R, tau = np.array([1.0, 2.0]), np.array([5.0, 300.0])
    read = R / (1 - LAG_S / tau)
    t = np.logspace(-1, 4, 400)
    response = step_response(np.append(3 - read.sum(), read), np.append(LAG_S, tau), t)
    spectrum = time_constant_spectrum(t, response, lag_s=lag_s)
    fast = spectrum.tau_s < 40
    weight = spectrum.R_K_per_W[fast]
    assert weight.sum() == pytest.approx(1.0, rel=0.03)
    centre = np.exp(np.sum(weight * np.log(spectrum.tau_s[fast])) / weight.sum())
    assert centre == pytest.approx(found_s, rel=0.02)


def test_a_lag_that_equals_a_time_constant_of_the_grid_is_no_pole():
    t = np.logspace(0, 3, 61)
    spectrum = time_constant_spectrum(t, step_response([1.0], [50.0], t), lag_s=(1.0, 1.0))
    assert np.isfinite(spectrum.R_K_per_W).all()
    assert spectrum.R_K_per_W.sum() == pytest.approx(1.0, rel=0.02)


R_K_PER_W, TAU_S, POWER_W = np.array([3.0, 5.0]), np.array([8.0, 400.0]), 4.0


def made_run(power, *, soak_s=60.0, event=True):
    """A tab on two time constants above 23 degC, read every second (invented)."""
    t = np.arange(0.0, 3000.0)
    watts = power(t) * (t >= soak_s)
    rise = response_to_power(R_K_PER_W, TAU_S, t, watts)
    noise = np.random.default_rng(2).normal(0, 0.01, (2, t.size))
    temperature = 23 + np.column_stack([rise, 0 * rise]) + noise.T
    events = (Event(soak_s, "power_on"),) if event else ()
    return Run(Path("made"), "made", ("tab", "ambient"), t, temperature, watts, events=events)


@pytest.mark.parametrize("event", [True, False])
def test_impedance_is_the_step_response_of_the_network(event):
    found = heated_impedance(identify(made_run(lambda t: POWER_W, event=event)))
    assert found is not None
    t, impedance = found
    assert impedance == pytest.approx(step_response(R_K_PER_W, TAU_S, t), abs=0.05)


def test_record_that_begins_with_the_power_on_has_no_impedance():
    assert heated_impedance(identify(made_run(lambda t: POWER_W, soak_s=0.0))) is None


def test_reference_that_warms_along_leaves_no_impedance():
    run = made_run(lambda t: POWER_W)
    warming = run.temperature_degC + np.outer(np.clip(run.t_s / 3000, 0, 1), [8.0, 8.0])
    assert heated_impedance(identify(replace(run, temperature_degC=warming))) is None


def test_power_that_is_no_single_step_has_no_impedance():
    response = identify(made_run(lambda t: POWER_W * (1 + 0.3 * np.sin(t / 200))))
    assert heated_impedance(response) is None


def test_cumulative_curve_of_a_lagging_sensor_is_refused():
    with pytest.raises(ValueError, match="not positive"):
        cumulative_curve([-0.2, 3.0], [5.0, 100.0])


@pytest.mark.parametrize(
    ("t", "impedance"),
    [([0.0, 1.0, 10.0], [0, 1, 2]), ([1.0, 2.0, 3.0], [0, 1, 2]), ([1.0, 20.0], [0, 1]),
     ([1.0, 9.0, 20.0], [0, 1, np.nan])],
)  # fmt: skip
def test_unusable_curve_is_refused(t, impedance):
    with pytest.raises(ValueError, match=r"times|values"):
        time_constant_spectrum(t, impedance)
