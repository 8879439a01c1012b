"""Noise beneath the steps of rounded readings, and what averaging leaves of them."""

from __future__ import annotations

import numpy as np
import pytest

from fit.signals.quantization import (
    scan_noise,
    swept_variance,
    variance_of_sum,
    white_variance,
)


@pytest.mark.parametrize("noise_steps", [0.1, 0.3, 1.0, 3.0])
@pytest.mark.parametrize("step_K", [0.0625, 1.0])
def test_noise_is_found_beneath_the_steps_while_the_level_sweeps_over_them(
    noise_steps: float, step_K: float
) -> None:
    random = np.random.default_rng(3)
    level = 20 + 0.01 * step_K * np.arange(6000)
    readings = level + noise_steps * step_K * random.standard_normal(len(level))
    rounded = step_K * np.round(readings / step_K)
    found = scan_noise(rounded, step_K).sd_K
    assert found == pytest.approx(noise_steps * step_K, rel=0.12)


def test_a_sweep_over_the_steps_is_no_noise() -> None:
    sweep = np.round(20 + 0.03 * np.arange(3000))
    assert scan_noise(sweep, 1.0).sd_K < 0.02


def test_readings_of_a_fast_rise_do_not_count() -> None:
    random = np.random.default_rng(4)
    level = np.concatenate((20 + 0.004 * np.arange(4000), 36 + 8 * np.arange(40)))
    rounded = np.round(level + 0.3 * random.standard_normal(len(level)))
    assert scan_noise(rounded, 1.0).sd_K == pytest.approx(0.3, rel=0.15)


@pytest.mark.parametrize("noise_steps", [0.2, 0.8])
def test_noise_is_found_while_no_reading_moves_slowly(noise_steps: float) -> None:
    """Some tenths of a step from scan to scan, at no constant rate; found without bias."""
    random = np.random.default_rng(6)
    level = 20 + 40 * -np.expm1(-np.arange(300) / 90)
    found = [
        scan_noise(np.round(level + noise_steps * random.standard_normal(300)), 1.0).sd_K
        for _ in range(100)
    ]
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(noise_steps, rel=0.1)


@pytest.mark.parametrize(
    ("noise_steps", "step_K"), [(0.15, 1.0), (0.4, 1.0), (2.0, 1.0), (0.5, 0.0)]
)
def test_the_white_variance_is_as_uncertain_as_it_says(noise_steps: float, step_K: float) -> None:
    random = np.random.default_rng(7)
    found = []
    for _ in range(200):
        readings = 0.05 * np.arange(400) + noise_steps * random.standard_normal(400)
        rounded = np.round(readings / step_K) * step_K if step_K else readings
        found.append(scan_noise(rounded, step_K))
    variance = np.array([one.sd_K**2 + step_K**2 / 12 for one in found])
    said = np.mean([one.variance_u for one in found])
    assert said == pytest.approx(variance.std() / variance.mean(), rel=0.25)


@pytest.mark.parametrize(("noise_K", "sweep_K"), [(0.02, 0.0), (0.02, 0.7), (0.4, 0.0)])
def test_the_mean_of_many_rounded_readings_is_off_by_the_variance_said(
    noise_K: float, sweep_K: float
) -> None:
    random = np.random.default_rng(5)
    samples, step_K = 400, 1.0
    starts = random.uniform(0, step_K, 2000)
    level = starts[:, None] + sweep_K * np.linspace(-0.5, 0.5, samples)
    rounded = np.round(level + noise_K * random.standard_normal(level.shape))
    scatter = np.var((rounded - level).mean(axis=1)) - white_variance(step_K, noise_K) / samples
    said = swept_variance(step_K, noise_K, np.array([sweep_K]))[0]
    assert said == pytest.approx(scatter, rel=0.15, abs=4e-4)


@pytest.mark.parametrize("noise", [0.0, 0.1])
def test_a_weighted_sum_of_rounded_readings_is_off_by_the_variance_said(noise: float) -> None:
    """A line through ten readings over 1.7 steps, led back by half its length; 400 of each."""
    random = np.random.default_rng(6)
    age = np.linspace(1.0, 3.0, 10)
    weight = np.linalg.pinv(np.column_stack([np.ones(10), age]))[0]
    course = 0.85 * age
    levels = course + random.uniform(0, 1, 2000)[:, None]
    noisy = levels[:, None] + noise * random.standard_normal((2000, 400, 10))
    off = ((np.round(noisy).mean(axis=1) - levels) @ weight).var()
    assert variance_of_sum(1.0, noise, course, weight) == pytest.approx(off, rel=0.15)
