"""The search, on problems whose minimum is known or found by scipy."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.optimize import approx_fprime, least_squares

from fit.identification.ladder.search import DAMPING as OF_THE_LADDER
from fit.identification.least_squares import DAMPING
from fit.identification.levenberg_marquardt import Damping, Limits, Stop, minimise
from fit.records.run import Array

Residual = Callable[[Array], Array]


@dataclass(frozen=True, eq=False)
class Point:
    theta: Array
    residual_of: Residual

    @property
    def cost(self) -> float:
        return float(np.sum(self.residual_of(self.theta) ** 2))

    def normal_equations(self) -> tuple[Array, Array]:
        J = np.atleast_2d(approx_fprime(self.theta, self.residual_of, 1e-7))
        return J.T @ J, J.T @ self.residual_of(self.theta)


def banana(x: Array) -> Array:
    """Rosenbrock 1960: minimum 0 at (1, 1), at the end of a curved valley."""
    return np.array([10 * (x[1] - x[0] ** 2), 1 - x[0]])


def found(
    residual: Residual, start: list[float], upper: float = np.inf, rule: Damping = DAMPING
) -> Point:
    q = len(start)
    limits = Limits(np.full(q, -np.inf), np.full(q, upper), np.full(q, 1.5))
    stop = Stop(relative=1e-14, most_steps=200)
    return minimise(
        lambda theta: Point(theta, residual), np.array(start), limits, rule=rule, stop=stop
    )


@pytest.mark.parametrize("rule", [DAMPING, OF_THE_LADDER], ids=["separable", "ladder"])
def test_the_end_of_a_curved_valley_is_found(rule: Damping) -> None:
    assert found(banana, [-1.2, 1.0], rule=rule).theta == pytest.approx([1.0, 1.0], abs=1e-4)


def test_a_limit_is_kept_and_the_rest_found_as_scipy_does() -> None:
    ours = found(banana, [-1.2, 0.5], upper=0.8)
    scipys = least_squares(banana, [-1.2, 0.5], bounds=(-np.inf, 0.8), xtol=1e-12)
    assert ours.theta == pytest.approx(scipys.x, abs=1e-4)
    assert ours.theta.max() <= 0.8


def test_a_start_outside_the_limits_is_moved_inside() -> None:
    assert found(banana, [3.0, 3.0], upper=0.8).theta.max() <= 0.8


def test_where_the_sum_is_no_number_no_step_leads() -> None:
    def only_left(x: Array) -> Array:
        return np.where(x < 0.5, x - 2.0, np.nan)

    ended = found(only_left, [0.0])
    assert 0.4 < ended.theta[0] < 0.5
    assert np.isfinite(ended.cost)


def test_a_parameter_that_changes_nothing_stays() -> None:
    ended = found(lambda x: np.array([x[0] - 3.0, 0.0]), [0.0, 0.7])
    assert ended.theta == pytest.approx([3.0, 0.7])


def test_a_hopeless_search_is_given_up() -> None:
    limits = Limits(np.full(2, -np.inf), np.full(2, np.inf), np.full(2, 1.5))
    ended = minimise(
        lambda theta: Point(theta, banana),
        np.array([-1.2, 1.0]),
        limits,
        rule=DAMPING,
        stop=Stop(),
        give_up=lambda steps, here: steps == 2,
    )
    assert ended.cost > 1.0
