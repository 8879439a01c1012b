"""The nearest network without negative terms."""

from __future__ import annotations

import numpy as np
import pytest

from fit.network.foster import foster_to_cauer, step_response
from fit.network.passivity import _clusters, _solve, nearest_passive, sensor_lag, without_lag


def test_positive_network_is_left_as_it_is():
    found = nearest_passive([2.0, 1.0], [50.0, 3.0])
    assert found.R_K_per_W.tolist() == [1.0, 2.0]
    assert found.tau_s.tolist() == [3.0, 50.0]
    assert found.deviation == 0


TRUE = (np.array([1.2, 0.7, 3.0]), np.array([4.0, 60.0, 900.0]))
LAG_S = 1.5


def lagging():
    """TRUE read by a sensor of LAG_S, by partial fractions."""
    R, tau = TRUE
    read = R / (1 - LAG_S / tau)
    return np.append(R.sum() - read.sum(), read), np.append(LAG_S, tau)


def test_lag_is_taken_out_whole():
    found = nearest_passive(*lagging())
    assert found.lag_s == (LAG_S,)
    assert found.R_K_per_W == pytest.approx(TRUE[0])
    assert found.tau_s == pytest.approx(TRUE[1])
    assert found.deviation == 0


def test_lag_is_taken_out_of_downstream_nodes_too():
    true = np.array([[1.2, 0.7, 3.0], [-0.1, -0.3, 2.0]])
    read = true / (1 - LAG_S / TRUE[1])
    rows = np.column_stack([true.sum(axis=1) - read.sum(axis=1), read])
    found, tau = without_lag(rows, np.append(LAG_S, TRUE[1]), sensor_lag(rows[0], lagging()[1]))
    assert found == pytest.approx(true)
    assert tau == pytest.approx(TRUE[1])


def test_lag_that_a_fit_has_not_found_whole_still_changes_no_total():
    """A term of -0.2 where the lag's own is -5/29: one time constant is left, and the whole sum."""
    found, _ = without_lag([150 / 29, -0.2], [60.0, 2.0], [2.0])
    assert found == pytest.approx([150 / 29 - 0.2])


@pytest.mark.parametrize("lag", [-4.0, -5.0])
def test_what_is_left_of_the_other_sign_is_not_turned_over_to_reach_the_total(lag):
    """4 x (1 - 2/80): no factor makes 0 or -1 of it that is not 0 or negative."""
    found, _ = without_lag([4.0, lag], [80.0, 2.0], [2.0])
    assert found == pytest.approx([3.9])


COOLING = ([1.0, -0.5, 4.3], [5.0, 356.0, 695.0])
"""What a case that cools better as it warms leaves in a linear fit."""


def test_negative_term_beside_a_large_one_is_absorbed():
    found = nearest_passive(*COOLING)
    assert found.deviation < 0.02
    assert len(found.tau_s) <= 4
    assert (np.array(foster_to_cauer(found.R_K_per_W, found.tau_s)) > 0).all()


def test_total_is_kept():
    assert nearest_passive(*COOLING).R_K_per_W.sum() == pytest.approx(4.8, rel=1e-12)


def test_stated_deviation_is_the_one_there_is():
    found = nearest_passive(*COOLING)
    t = np.geomspace(0.5, 6950, 4000)
    off = np.abs(step_response(found.R_K_per_W, found.tau_s, t) - step_response(*COOLING, t)) / 4.8
    assert found.deviation == pytest.approx(off.max(), rel=0.02)


def test_network_that_falls_is_refused():
    with pytest.raises(ValueError, match="add up"):
        nearest_passive([0.5, -1.0], [1.0, 2.0])


def test_runs_on_the_grid_are_one_term_at_their_weighted_geometric_mean():
    """1 and 3 at 10 and 1000 s: exp((ln 10 + 3 ln 1000)/4) = 10^2.5; then one at 1e5 s."""
    grid = np.array([1.0, 10.0, 1000.0, 2000.0, 1e5, 1e6])
    sizes = np.array([0.0, 1.0, 3.0, 0.0, 5.0, 1e-9])
    assert _clusters(sizes, grid) == pytest.approx([10**2.5, 1e5])


def test_runs_at_either_end_of_the_grid_are_terms_too():
    grid = np.array([1.0, 10.0, 100.0])
    assert _clusters(np.array([2.0, 0.0, 3.0]), grid) == pytest.approx([1.0, 100.0])


def test_sizes_that_are_not_negative_keep_the_total():
    """Wanted: 2 and 1 K/W, which the grid has; -0.5 beside is no size."""
    t_s = np.geomspace(0.1, 1000, 100)
    wanted = step_response([2.0, 1.0], [3.0, 50.0], t_s)
    found = _solve(np.array([3.0, 12.0, 50.0]), t_s, wanted, 3.0)
    assert found == pytest.approx([2.0, 0.0, 1.0], abs=1e-6)
    assert found.sum() == pytest.approx(3.0)


def test_sensor_lag_is_what_is_negative_and_faster_than_all_that_is_positive():
    assert sensor_lag([1.0, -0.5, 2.0, -0.1], [3.0, 1.0, 50.0, 400.0]).tolist() == [1.0]
    assert sensor_lag([-1.0, -0.5], [3.0, 1.0]).tolist() == []


def test_what_was_taken_out_is_said_in_words():
    found = nearest_passive(*COOLING)
    assert found.absorbed_s == (356.0,)
    (said,) = found.taken_out
    assert said.startswith("a negative term at 356 s, as of a case")
    assert f"differs by {100 * found.deviation:.1f} % of the total at most" in said
    (lag,) = nearest_passive(*lagging()).taken_out
    assert lag == "the sensor's lag of 1.5 s is taken out"
