"""Units few and many: intervals that hold, whatever the spread."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.special import ndtri

from fit.statistics.population import population
from tests.benchmarks.next_unit import held, ours

VALUES = st.lists(st.floats(min_value=0.05, max_value=50.0), min_size=1, max_size=30)


@pytest.mark.parametrize("units", [1, 2, 3])
def test_the_next_unit_lies_where_it_is_expected_from_few(units: int) -> None:
    share, _ = held(ours, None, units, draws=300)
    assert 0.92 <= share <= 0.985  # 0.95 ± 2.4 standard deviations of 300 draws, and a little


def test_many_units_tell_their_own_spread_whatever_was_expected() -> None:
    y = 1 + 0.3 * ndtri((np.arange(400) + 0.5) / 400)
    found = population(y, np.full(400, 0.01))
    assert found.spread_low_K_per_W < 0.3 < found.spread_high_K_per_W
    assert found.spread_K_per_W == pytest.approx(0.3, rel=0.02)


def test_what_the_measurement_scatters_is_not_taken_for_the_units() -> None:
    y = 1 + 0.05 * np.random.default_rng(2).standard_normal(400)
    found = population(y, np.full(400, 0.05))
    assert found.spread_K_per_W < 0.025
    assert found.next_high_K_per_W - found.next_low_K_per_W < 0.15


def test_a_unit_measured_badly_counts_little() -> None:
    y, u = np.array([1.0, 1.01, 0.99, 3.0]), np.array([0.01, 0.01, 0.01, 2.0])
    assert population(y, u).mean_K_per_W == pytest.approx(1.0, abs=0.02)


def test_an_error_that_all_share_moves_them_all() -> None:
    y, u = np.linspace(0.97, 1.03, 50), np.full(50, 0.001)
    alone, together = population(y, u), population(y, u, common_u=0.05)
    assert together.spread_K_per_W == pytest.approx(alone.spread_K_per_W)
    assert together.mean_u_K_per_W == pytest.approx(np.hypot(alone.mean_u_K_per_W, 0.05))
    assert together.next_high_K_per_W > alone.next_high_K_per_W + 0.04


def test_a_larger_spread_is_expected_where_it_is_stated() -> None:
    one = np.array([1.0])
    narrow, wide = (population(one, one * 0.01, relative_scale=s) for s in (0.05, 0.2))
    ratio = (wide.next_high_K_per_W - 1) / (narrow.next_high_K_per_W - 1)
    assert ratio == pytest.approx(4.0, rel=0.05)


@example(
    values=[23.801641713157043, 43.67454458552672, 0.35, 0.3333333333333333, 0.5], relative_u=0.0
)
@settings(max_examples=25)
@given(values=VALUES, relative_u=st.floats(min_value=0.0, max_value=0.3))
def test_intervals_stand_in_their_order(values: list[float], relative_u: float) -> None:
    y = np.array(values)
    found = population(y, relative_u * y, limit=float(y.max()))
    assert found.next_low_K_per_W <= found.mean_K_per_W <= found.next_high_K_per_W
    assert found.tolerance_low_K_per_W <= found.next_low_K_per_W + 1e-3 * y.max()
    assert found.tolerance_high_K_per_W >= found.next_high_K_per_W - 1e-3 * y.max()
    assert 0 <= found.spread_low_K_per_W <= found.spread_K_per_W <= found.spread_high_K_per_W
    assert 0 <= (found.p_next_within or 0.0) <= 1


def test_units_without_uncertainty_that_are_all_alike_are_no_fault() -> None:
    found = population(np.full(3, 0.6), np.zeros(3))
    assert found.next_low_K_per_W < 0.6 < found.next_high_K_per_W
