"""One update of an ensemble: against the conjugate normal, whose posterior is known."""

from __future__ import annotations

import numpy as np
import pytest

from fit.learning.ensemble import standardized, update

DRAWS = 50_000


def test_posterior_of_a_linear_measurement_is_the_conjugate_one() -> None:
    """Precision adds up: Λ = I + Hᵀ S⁻¹ H, mean Λ⁻¹ Hᵀ S⁻¹ y (Gelman et al., Bayesian Data
    Analysis, 14.8; memory)."""
    H = np.array([[1.0, 0.5, 0.0], [0.0, 2.0, -1.0]])
    S = np.array([[0.3, 0.1], [0.1, 0.5]])
    y = np.array([1.0, -2.0])
    x = standardized(np.random.default_rng(3).standard_normal((DRAWS, 3)))
    after = update(x, x @ H.T, y, S)
    precision = np.eye(3) + H.T @ np.linalg.solve(S, H)
    assert after.covariance == pytest.approx(np.linalg.inv(precision), abs=1e-9)
    expected = np.linalg.solve(precision, H.T @ np.linalg.solve(S, y))
    assert after.mean == pytest.approx(expected, abs=1e-9)


def test_closed_form_is_what_moving_every_draw_gives() -> None:
    random = np.random.default_rng(4)
    x = standardized(random.standard_normal((DRAWS, 2)))
    h = np.column_stack([np.exp(0.2 * x[:, 0]), x[:, 0] * 0.1 + x[:, 1] ** 2 * 0.05])
    S, y = np.diag([0.02, 0.01]), np.array([1.2, 0.1])
    C_xh = np.cov(x.T, h.T)[:2, 2:]
    gain = C_xh @ np.linalg.inv(np.cov(h.T) + S)
    moved = x + (y + random.multivariate_normal([0, 0], S, DRAWS) - h) @ gain.T
    after = update(x, h, y, S)
    assert after.mean == pytest.approx(moved.mean(axis=0), abs=0.01)
    assert after.covariance == pytest.approx(np.cov(moved.T), abs=0.01)


def test_a_measurement_that_says_nothing_teaches_nothing() -> None:
    x = standardized(np.random.default_rng(5).standard_normal((1000, 2)))
    after = update(x, x, np.array([3.0, -3.0]), np.eye(2) * 1e9)
    assert after.mean == pytest.approx([0.0, 0.0], abs=1e-6)
    assert after.covariance == pytest.approx(np.eye(2), abs=1e-6)


def test_standardized_draws_have_no_chance_left_in_them() -> None:
    x = standardized(np.random.default_rng(6).standard_normal((500, 4)))
    assert x.mean(axis=0) == pytest.approx(np.zeros(4), abs=1e-12)
    assert np.cov(x.T) == pytest.approx(np.eye(4), abs=1e-12)
