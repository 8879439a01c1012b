"""Draws have the mean, the spread and the shape that is stated of them (JCGM 101, 6.4)."""

from __future__ import annotations

import numpy as np
import pytest

from fit.budget.sampling import _draw, draw
from fit.budget.uncertain import Uncertain

MANY = 200_000


def test_the_stated_value_stands_first() -> None:
    assert draw("x", 3.0, 0.5, 10)[0] == 3.0
    assert len(draw("x", 3.0, 0.5, 10)) == 11


def test_a_positive_number_is_lognormal_with_its_mean_and_spread() -> None:
    """Mean 3 and standard deviation 0.9: ln x has the variance ln(1 + 0.3^2) (JCGM 101, 6.4.5)."""
    drawn = draw("x", 3.0, 0.9, MANY)[1:]
    assert drawn.mean() == pytest.approx(3.0, rel=0.003)
    assert drawn.std() == pytest.approx(0.9, rel=0.01)
    assert np.log(drawn).std() == pytest.approx(np.sqrt(np.log(1.09)), rel=0.01)


def test_a_tolerance_is_even_between_its_ends() -> None:
    """Standard deviation 0.3 of a rectangle of half width 0.3 root 3."""
    drawn = _draw(Uncertain(3.0, 0.3, "rectangular"), MANY, "x")[1:]
    assert drawn.min() == pytest.approx(3 - 0.5196, abs=1e-3)
    assert drawn.max() == pytest.approx(3 + 0.5196, abs=1e-3)
    assert drawn.std() == pytest.approx(0.3, rel=0.01)


def test_what_is_sure_is_drawn_as_it_is() -> None:
    assert set(draw("x", 3.0, 0.0, 10).tolist()) == {3.0}
    assert set(draw("x", 0.0, 0.1, 10).tolist()) == {0.0}


def test_a_share_is_never_over_one() -> None:
    drawn = draw("x", 0.95, 0.2, 1000, bounded=True)
    assert drawn.max() == 1.0
    assert draw("x", 0.95, 0.2, 1000).max() > 1.0


def test_each_name_has_draws_of_its_own_every_time_the_same() -> None:
    one, other = draw("one", 3.0, 0.9, MANY)[1:], draw("other", 3.0, 0.9, MANY)[1:]
    assert abs(np.corrcoef(one, other)[0, 1]) < 0.01
    assert _draw(Uncertain(3.0, 0.9), 5, "one").tolist() == draw("one", 3.0, 0.9, 5).tolist()
