"""The scatter of a series of readings."""

from __future__ import annotations

import numpy as np
import pytest

from fit.signals.scatter import noise, noise_without_spikes


@pytest.mark.parametrize("scans", [30, 100, 1000])
def test_noise_is_found_without_bias_however_few_the_scans(scans: int) -> None:
    random = np.random.default_rng(1)
    found = [noise_without_spikes(0.2 * random.standard_normal(scans)) for _ in range(300)]
    assert np.mean(np.square(found)) == pytest.approx(0.04, rel=0.05)


def test_the_quick_rise_after_a_power_step_is_clipped() -> None:
    random = np.random.default_rng(2)
    rise = 10 * -np.expm1(-np.arange(600) / 4)
    assert noise_without_spikes(rise + 0.05 * random.standard_normal(600)) == pytest.approx(
        0.05, rel=0.1
    )


def test_rounding_is_counted_as_the_variance_it_adds() -> None:
    """noise² + step²/12, of noise as large as a step (Widrow & Kollár)."""
    random = np.random.default_rng(3)
    rounded = np.round(random.standard_normal(20_000) + 0.01 * np.arange(20_000))
    assert noise_without_spikes(rounded) ** 2 == pytest.approx(1 + 1 / 12, rel=0.03)


def test_spikes_hardly_move_the_noise_that_they_are_found_by() -> None:
    random = np.random.default_rng(4)
    readings = random.standard_normal(1000)
    readings[::200] += 100
    assert noise(readings) == pytest.approx(1.0, rel=0.15)


def test_a_series_that_never_changes_has_no_noise() -> None:
    assert noise_without_spikes(np.full(50, 21.0)) == 0.0
