"""A series without its noise: what is smooth stays, what is quick stays, noise goes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fit.signals.smoothing import smoothed

NOISE_K = 0.05


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))


@pytest.mark.parametrize("n", [200, 501, 1370])
def test_most_of_the_noise_of_a_slow_rise_goes(n: int) -> None:
    random = np.random.default_rng(1)
    rise = 5 * (1 - np.exp(-np.linspace(0, 3, n)))
    found, left = smoothed(rise + NOISE_K * random.standard_normal(n), np.full(n, NOISE_K))
    assert rms(found - rise) < 0.4 * NOISE_K
    assert 0.003 < left < 0.16


def test_what_is_quick_and_larger_than_the_noise_stays() -> None:
    random = np.random.default_rng(2)
    gusts = 20 * NOISE_K * np.sin(np.arange(200))
    found, left = smoothed(gusts + NOISE_K * random.standard_normal(200), np.full(200, NOISE_K))
    assert rms(found - gusts) < 1.2 * NOISE_K
    assert left > 0.5


def test_a_cell_of_many_readings_counts_for_more() -> None:
    sd = np.where(np.arange(60) % 2, NOISE_K, 100 * NOISE_K)
    values = np.where(np.arange(60) % 2, 0.0, 1.0)
    assert smoothed(values, sd)[0] == pytest.approx(0.0, abs=0.01)


def test_three_values_are_left_as_they_are() -> None:
    values = np.array([1.0, 3.0, 2.0])
    assert smoothed(values, np.ones(3))[0] is values


def test_what_does_not_change_stays_as_it_is_to_the_last_digit() -> None:
    values = np.full(50, 23.4)
    assert np.array_equal(smoothed(values, np.ones(50))[0], values)


@given(st.floats(-1e3, 1e3), st.floats(-10, 10), st.integers(4, 80) | st.just(900))
def test_a_straight_line_on_top_stays_on_top(level: float, slope: float, n: int) -> None:
    random = np.random.default_rng(n)
    values, sd = random.standard_normal(n), random.uniform(0.5, 2.0, n)
    line = level + slope * np.arange(n)
    alone, _ = smoothed(values, sd)
    assert smoothed(values + line, sd)[0] == pytest.approx(alone + line, rel=1e-7, abs=1e-5)
