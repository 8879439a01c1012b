"""Covariance of a tree's spans beyond that of the fit: two sources on one bar, by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from fit.measurement.branch_uncertainty import Identified, power_and_shares

# Spans: a branch each, and the joint that both pass.
HEAT_W = np.array([[3.0, 0.0], [0.0, 1.0], [3.0, 1.0]])
R_K_PER_W = np.array([2.0, 4.0, 0.5])


def found(*shares: tuple[float, float]) -> Identified:
    """Two sources whose path fractions are given, each with its uncertainty."""
    sources = [SimpleNamespace(path_fraction=one, path_fraction_u=u) for one, u in shares]
    budget = SimpleNamespace(sources=sources)
    return cast(
        Identified, SimpleNamespace(heat_W=HEAT_W, through_W=HEAT_W.sum(axis=1), budget=budget)
    )


def relative_u(covariance: np.ndarray) -> np.ndarray:
    return np.sqrt(np.diag(covariance)) / R_K_PER_W


def test_a_share_is_as_unsure_as_it_is_relative_to_itself() -> None:
    """0.01 of a half are 2 %, 0.01 of a quarter 4 %; of 3 W + 1 W in the joint √(6² + 4²)/4."""
    covariance = power_and_shares(found((0.5, 0.01), (0.25, 0.01)), R_K_PER_W, 0.0)
    assert relative_u(covariance) == pytest.approx([0.02, 0.04, 0.01 * np.hypot(6, 4) / 4])


def test_power_and_share_of_a_source_are_unsure_together() -> None:
    """3-4-5; JCGM 100, 5.1.2."""
    covariance = power_and_shares(found((0.5, 0.02), (1.0, 0.0)), R_K_PER_W, 0.03)
    assert relative_u(covariance)[:2] == pytest.approx([0.05, 0.03])


def test_branches_err_apart_and_each_with_what_both_pass() -> None:
    """The joint has 3/4 of the one source's error and 1/4 of the other's."""
    covariance = power_and_shares(found((1.0, 0.0), (1.0, 0.0)), R_K_PER_W, 0.02)
    correlation = covariance / 0.02**2 / np.outer(R_K_PER_W, R_K_PER_W)
    assert correlation[0, 1] == 0.0
    assert correlation[2, :2] == pytest.approx([0.75, 0.25])
