"""Low-pass filters of cells against the same filters scan by scan."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from fit.identification.lowpass import Filters
from fit.records.run import Array
from fit.signals.cells import average, cut, knots

T_S = np.arange(0.0, 900.0)
POWER_W = np.where((T_S >= 60) & (T_S < 700), 4.0, 0.0)
STARTS = np.array([0, 60, 700])
TAU_S = np.array([2.0, 35.0, 800.0])


def low_pass(values: Array, tau_s: float) -> Array:
    """Power held from each scan to the next, filtered scan by scan (n,)."""
    decay = np.exp(-1 / tau_s)
    held = np.concatenate(([0.0], values[:-1]))
    return np.asarray(lfilter([1 - decay], [1.0, -decay], held))


def test_a_cells_mean_is_the_mean_of_its_filtered_scans() -> None:
    cells = cut(T_S, POWER_W, STARTS, np.full(3, np.nan), True)
    found = Filters(cells, None)(TAU_S).power
    for k, tau in enumerate(TAU_S):
        mean, _ = average(cells, low_pass(POWER_W, tau)[:, None])
        assert found[:, k] == pytest.approx(mean[:, 0], abs=1e-12)


@pytest.mark.parametrize("kind", ["power", "reference", "initial"])
def test_the_derivative_is_that_of_the_filter(kind: str) -> None:
    cells = cut(T_S, POWER_W, STARTS, np.full(3, np.nan), True)
    ambient = np.sin(T_S / 200.0)[:, None]
    filters = Filters(cells, knots(cells, average(cells, ambient)[0][:, 0]))
    step = 1e-5
    above, below = filters(TAU_S * np.exp(step)), filters(TAU_S * np.exp(-step))
    slope = (getattr(above, kind) - getattr(below, kind)) / (2 * step)
    assert getattr(filters(TAU_S), f"d_{kind}") == pytest.approx(slope, abs=1e-7)


def test_filters_of_several_time_constants_are_those_of_each() -> None:
    cells = cut(T_S, POWER_W, STARTS, np.full(3, np.nan), True)
    filters = Filters(cells, None)
    together = filters(TAU_S).d_power
    alone = np.hstack([filters(TAU_S[[k]]).d_power for k in range(3)])
    assert together == pytest.approx(alone, abs=1e-14)
