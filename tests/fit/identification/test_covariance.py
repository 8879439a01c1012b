"""Covariance of everything fitted, against the sandwich written out in full."""

from __future__ import annotations

import numpy as np
import pytest

from fit.identification.autocorrelation import lag_one
from fit.identification.covariance import ParameterCovariance
from fit.identification.identify import identify_signals
from fit.signals.preparation import prepare
from tests.fit.identification.test_response import made_run
from tests.support.jacobian import full_jacobian


def test_the_covariance_is_the_sandwich_written_out() -> None:
    fitted = identify_signals(prepare(made_run())).fitted
    solution, weight = fitted.solution, fitted.problem.weight
    cells = len(fitted.model.record.cells.samples)
    J = full_jacobian(solution, weight)
    m, N, size = J.shape
    q, p = len(solution.theta), fitted.model.parameters
    residual = solution.residual[:cells]
    rho = lag_one(residual)
    across = residual.T @ residual / max(cells - p - q / m, 1.0)
    floor = np.sqrt(np.maximum(1 / np.diag(across), 1.0))
    across = across * np.outer(floor, floor)
    along = rho ** np.abs(np.subtract.outer(np.arange(cells), np.arange(cells)))
    whole = np.zeros((m, N, m, N))
    for i in range(m):
        whole[i, cells:, i, cells:] = np.eye(N - cells)
        for j in range(m):
            whole[i, :cells, j, :cells] = across[i, j] * along
    flat = J.reshape(m * N, size)
    prior = np.zeros((size, size))
    if fitted.problem.prior is not None:
        prior[:q, :q] = np.diag(1 / fitted.problem.prior.sd**2)
    bread = np.linalg.inv(flat.T @ flat + prior)
    meat = flat.T @ whole.reshape(m * N, m * N) @ flat + prior
    sandwich = bread @ meat @ bread
    scale = np.sqrt(np.outer(np.diag(sandwich), np.diag(sandwich)))
    assert fitted.covariance.total / scale == pytest.approx(sandwich / scale, abs=1e-6)


def test_what_true_values_bring_and_the_rest_are_the_whole() -> None:
    """N⁻¹ (M − Λ) N⁻¹ and N⁻¹ Λ N⁻¹, written out."""
    random = np.random.default_rng(2)
    J = random.standard_normal((40, 4))
    known = np.array([0.0, 0.0, 9.0, 4.0])
    normal = J.T @ J + np.diag(known)
    whole = ParameterCovariance(normal, 1.5 * J.T @ J + np.diag(known), np.zeros(4, dtype=bool))
    rest, own = whole.split(known)
    inverse = np.linalg.inv(normal)
    assert own.total == pytest.approx(inverse @ np.diag(known) @ inverse)
    assert rest.total + own.total == pytest.approx(whole.total)
