"""AR(1) residuals, against series made with a known correlation and matrices written out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import toeplitz

from fit.identification.autocorrelation import (
    MOST,
    correlated,
    correlogram,
    inflation,
    lag_one,
)


def series(rho: float, n: int, nodes: int, seed: int = 0) -> np.ndarray:
    """AR(1) series (n, nodes) of unit variance."""
    random = np.random.default_rng(seed)
    values = random.standard_normal((n, nodes))
    for i in range(1, n):
        values[i] = rho * values[i - 1] + np.sqrt(1 - rho**2) * values[i]
    return values


@pytest.mark.parametrize("rho", [0.0, 0.4, 0.9])
def test_the_correlation_that_a_series_was_made_with_is_found(rho: float) -> None:
    assert lag_one(series(rho, 4000, 3)) == pytest.approx(rho, abs=0.03)


def test_a_short_series_is_not_found_less_correlated_than_it_is() -> None:
    """Without the correction the mean of so many estimates is 0.1 too low."""
    made = [series(0.6, 30, 1, seed) for seed in range(400)]
    found = [lag_one(one - one.mean()) for one in made]
    assert np.mean(found) == pytest.approx(0.6, abs=0.04)


def test_a_trend_is_never_all_there_is() -> None:
    assert lag_one(np.linspace(-1.0, 1.0, 1000)[:, None]) == MOST


def test_rows_without_a_reading_are_passed_over() -> None:
    values = series(0.8, 500, 2)
    holes = np.insert(values, np.arange(0, 500, 2), 0.0, axis=0)
    assert lag_one(holes) == lag_one(values)


def test_a_mean_of_correlated_noise_varies_by_the_inflation() -> None:
    means = [series(0.5, 400, 1, seed).mean() for seed in range(2000)]
    assert np.var(means) * 400 == pytest.approx(inflation(0.5), rel=0.1)


@pytest.mark.parametrize("rho", [0.0, 0.3, 0.97])
def test_rows_are_multiplied_by_the_matrix_of_powers(rho: float) -> None:
    rows = np.random.default_rng(1).standard_normal((4, 50))
    assert correlated(rows, rho) == pytest.approx(rows @ toeplitz(rho ** np.arange(50)))


def test_a_correlogram_is_numpys() -> None:
    values = series(0.7, 300, 1)[:, 0]
    whole = np.correlate(values, values, "full")[299:]
    assert correlogram(values, 5) == pytest.approx(whole[1:6] / whole[0])
