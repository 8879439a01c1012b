"""Noise beneath the steps of rounded readings, and what averaging leaves of them."""

from __future__ import annotations

import numpy as np
import pytest

from fit.signals.quantization import scan_noise, swept_variance, white_variance


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
