"""The nearest network without negative terms."""

from __future__ import annotations

import numpy as np
import pytest

from fit.network.foster import foster_to_cauer, step_response
from fit.network.passivity import nearest_passive, sensor_lag, without_lag


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
