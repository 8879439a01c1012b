"""The smallest excess that is found, of spans that are the less certain the larger they are."""

from __future__ import annotations

import numpy as np
import pytest

from fit.planning.excess import SURE, excess_found, smallest_excess


def test_an_uncertainty_in_proportion_gives_the_closed_form() -> None:
    expected = float(smallest_excess(2.0, 0.06, 0.1))
    assert excess_found(2.0, 0.1, lambda excess: 0.03 * (2.0 + excess)) == pytest.approx(expected)


def test_a_larger_span_that_is_slower_needs_a_larger_excess_to_be_found() -> None:
    """Its reading less z u of it, 95 times in 100, is over what was predicted: u grows with R^2."""

    def u_of(excess: float) -> float:
        return 0.03 * (1.0 + excess) ** 2

    found = excess_found(1.0, 0.0, u_of)
    true, share = 1.0 + found, 0.03 * (1.0 + found)
    read = true * (1 + share * np.random.default_rng(3).standard_normal(100_000))
    assert found > float(smallest_excess(1.0, 0.03, 0.0))
    assert np.mean(read * (1 - SURE * share) > 1.0) == pytest.approx(0.95, abs=0.006)


def test_a_span_that_would_no_longer_be_resolved_is_not_found() -> None:
    assert excess_found(1.0, 0.0, lambda excess: 0.2 * (1.0 + 3.0 * excess)) == np.inf
