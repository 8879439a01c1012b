"""What noise alone leaves of a fit: the sum of squares to which every fit is held."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fit.identification.pole_model import CellRecord, reduce
from fit.records.run import Run
from fit.signals.preparation import prepare

NODES = ("tab", "bar", "case")


def noisy(seed: int, step_K: float) -> tuple[CellRecord, float]:
    """A record of nodes that only drift together, and the sum of squares of its rises' noise."""
    random = np.random.default_rng(seed)
    t_s = np.arange(0.0, 900.0, 2.0)
    drift = 25 + 3 * np.sin(t_s / 300)
    readings = drift[:, None] + np.array([0.3, 0.2, 0.0]) + 0.05 * random.standard_normal((450, 3))
    if step_K:
        readings = step_K * np.round(readings / step_K)
    power = np.where(t_s < 60, 0.0, 1.0)
    record = reduce(prepare(Run(Path("r"), "r", NODES, t_s, readings, power)), NODES[:2], "case")
    mean = (record.weight**2 * record.rise_K).sum(axis=0) / (record.weight**2).sum(axis=0)
    left = record.weight * (record.rise_K - mean) @ record.whitening
    return record, float(np.sum(left**2))


@pytest.mark.parametrize("step_K", [0.0, 1 / 16])
def test_noise_leaves_the_sum_of_squares_that_is_expected(step_K: float) -> None:
    found = [noisy(seed, step_K) for seed in range(60)]
    expected = np.array([record.noise_cost for record, _ in found])
    left = np.array([squares for _, squares in found])
    assert np.mean(left / expected) == pytest.approx(1.0, abs=0.06)


def test_the_sum_of_squares_scatters_as_it_is_said_to() -> None:
    found = [noisy(seed, 0.0) for seed in range(60)]
    z = [(squares - record.noise_cost) / record.noise_cost_sd for record, squares in found]
    assert np.std(z) == pytest.approx(1.0, abs=0.3)
