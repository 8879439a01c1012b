"""The one search for a least sum of squares: Levenberg-Marquardt inside limits.

    (JᵀJ + λ diag(JᵀJ)) step = −Jᵀr

λ, the damping, is raised while a step gains nothing and eased after one that does (Marquardt 1963,
J. Soc. Indust. Appl. Math. 11, 431). A parameter held at its limit is left out of the step.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol, TypeVar

import numpy as np
from scipy.linalg.lapack import dposv

from fit.records.run import Array

LEAST_DAMPING = 1e-12  # below, it is lost in the matrix's own rounding
LEAST_STEP = 1e-10  # of the longest allowed: the sum's rounding decides then
FLAT = 1e-12  # of the matrix's trace: damping of a parameter that changes nothing


class Point(Protocol):
    """A sum of squares at one place."""

    @property
    def theta(self) -> Array:
        """The parameters (q,)."""

    @property
    def cost(self) -> float:
        """Sum of squares, of priors too."""

    def normal_equations(self) -> tuple[Array, Array]:
        """JᵀJ (q, q) and Jᵀr (q,), with priors."""


P = TypeVar("P", bound=Point)


@dataclass(frozen=True, eq=False)
class Limits:
    """Where to search, (q,) each."""

    lower: Array
    upper: Array
    longest: Array  # most that one step may change a parameter


@dataclass(frozen=True)
class Damping:
    """How λ is chosen. How fast a search ends depends on it, and where one begun far off does."""

    first: float
    raised: float  # factor after a step that gained nothing
    eased: float  # divisor after a step taken at the first try
    eased_again: float  # and after one taken at a later try
    most: float  # a step so short that gains nothing: the sum is least, or not smooth
    # A step of little predicted gain ends the search; not where damping is larger, which alone
    # makes steps short.
    judged_below: float = np.inf


@dataclass(frozen=True)
class Stop:
    """When to end a search.

    A step gains enough if it takes `absolute` off the sum of squares, or `relative` of it.
    """

    absolute: float = 0.0
    relative: float = 1e-10
    promise: float = 0.1  # of enough: a step of less predicted gain is not tried
    idle: int = 1  # steps in a row that gain less than enough
    most_steps: int = 60


def minimise(
    at: Callable[[Array], P],
    start: Array,
    limits: Limits,
    *,
    rule: Damping,
    stop: Stop,
    give_up: Callable[[int, P], bool] = lambda step, here: False,
) -> P:
    """The lowest point found from a start (q,).

    Args:
        at: gives the point at any parameters.
        start: moved inside the limits.
        limits: of parameters and steps.
        rule: how steps are damped.
        stop: when nothing more is to be gained.
        give_up: whether the search is hopeless, by the number of steps taken and where they led.
    """
    here = at(np.minimum(np.maximum(start, limits.lower), limits.upper))
    damping, idle = rule.first, 0
    for taken in range(stop.most_steps):
        if give_up(taken, here):
            break
        enough = max(stop.relative * here.cost, stop.absolute)
        there, damping = _step(
            at, here, limits, rule=rule, damping=damping, least_promise=stop.promise * enough
        )
        if there is None:
            break
        idle = idle + 1 if here.cost - there.cost <= enough else 0
        here = there
        if idle == stop.idle:
            break
    return here


def _step(
    at: Callable[[Array], P],
    here: P,
    limits: Limits,
    *,
    rule: Damping,
    damping: float,
    least_promise: float,
) -> tuple[P | None, float]:
    """A lower point, None where no step leads to one, and the damping to begin the next step at."""
    normal, gradient = here.normal_equations()
    held = (here.theta <= limits.lower) & (gradient > 0)
    held |= (here.theta >= limits.upper) & (gradient < 0)
    if held.all():
        return None, damping
    free = np.flatnonzero(~held)
    normal, gradient = normal[np.ix_(free, free)], gradient[free]
    diagonal = normal.diagonal()
    scale = np.diag(diagonal + FLAT * max(float(diagonal.sum()), 1e-300))
    easing = rule.eased
    while damping < rule.most:
        move = _solved(normal + damping * scale, gradient)
        length = float((np.abs(move) / limits.longest[free]).max())
        promised = -float(move @ (2 * gradient + normal @ move))
        little = promised < least_promise and damping < rule.judged_below
        if little or length < LEAST_STEP:
            break
        if length > 1:
            move = move / length
        theta = here.theta.copy()
        theta[free] += move
        there = at(np.minimum(np.maximum(theta, limits.lower), limits.upper))
        if there.cost < here.cost:  # not so where it is not a number
            return there, max(damping / easing, LEAST_DAMPING)
        damping, easing = rule.raised * damping, rule.eased_again
    return None, damping


def _solved(normal: Array, gradient: Array) -> Array:
    """Minus normal⁻¹ gradient, by Cholesky where the matrix allows."""
    _, move, failed = dposv(normal, -gradient)
    return np.asarray(-np.linalg.solve(normal, gradient) if failed else move)
