"""The time-constant spectrum and the cumulative R-C curve."""

from __future__ import annotations

import numpy as np
import pytest

from fit.network import cauer_to_foster, step_response
from fit.spectrum import cumulative_curve, time_constant_spectrum

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
    total = np.trapezoid(spectrum.density_K_per_W, np.log(spectrum.tau_s))
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
