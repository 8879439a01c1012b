"""Foster to Cauer and back, to the last digit of a float.

Both directions cancel digits, the more the closer the time constants lie. Decimal arithmetic of
sufficient precision costs milliseconds here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from decimal import Decimal, localcontext

import numpy as np
from numpy.typing import ArrayLike

from fit.network.modes import ladder_poles
from fit.network.topology import Array

_Pair = tuple[list[Decimal], list[Decimal]]

_FIRST_DIGITS = 60  # a float's 17, and a few for each term of a fitted network to lose
# Reached only by time constants that differ in the last digits of a float: then it is refused.
_MOST_DIGITS = 60 * 2**7
_AGREEMENT = Decimal("1e-18")  # relative: beyond the last digit of a float, 2**-53


def foster_to_cauer(R: ArrayLike, tau: ArrayLike) -> tuple[Array, Array]:
    """The ladder with the same driving-point impedance as a Foster network.

    1/Z(s) = D(s)/N(s) is developed in a continued fraction, C s + 1/(R + 1/(C s + ...)): Euclid's
    algorithm on two polynomials (Cauer 1926). It cancels digits with every term, so it runs in
    decimal arithmetic whose precision is doubled until the result no longer changes.

    Args:
        R: Foster resistances (K,), all positive [K/W].
        tau: their time constants (K,), all positive and different [s].

    Returns:
        Resistances [K/W] and capacities [J/K] of the ladder, (K,) each, heat source first.

    Raises:
        ValueError: a value that is not positive and finite, or two equal time constants: no ladder
            of K positive elements has that impedance.

    >>> R, C = foster_to_cauer([1 / 2, 1 / 6], [1, 1 / 3])
    >>> R.round(12).tolist(), C.round(12).tolist()
    ([0.5, 0.166666666667], [1.0, 4.0])
    """
    R_terms, tau_terms = positive(R, "resistance"), positive(tau, "time constant")
    same_length(R_terms, tau_terms)
    if len(np.unique(tau_terms)) < len(tau_terms):
        raise ValueError("two time constants are equal; add their resistances into one term")
    return _until_stable(lambda: _continued_fraction(R_terms, tau_terms))


def cauer_to_foster(R: ArrayLike, C: ArrayLike) -> tuple[Array, Array]:
    """The Foster network with the same driving-point impedance as a ladder.

    Poles of the ladder from its modes, refined in decimal arithmetic (Aberth 1973) until every
    digit of a float is right, down to the smallest term.

    Args:
        R: resistances of the ladder (K,), heat source first, all positive [K/W].
        C: capacities of its nodes (K,), all positive [J/K].

    Returns:
        Resistances [K/W] and time constants [s], (K,) each, ascending in time constant.

    Raises:
        ValueError: a value that is not positive and finite.

    >>> R, tau = cauer_to_foster([1, 2, 3], [1, 2, 3])
    >>> R.round(9).tolist(), tau.round(9).tolist()
    ([0.355302567, 0.514036182, 5.130661251], [0.622591404, 2.662861684, 21.714546912])
    """
    R_steps, C_nodes = positive(R, "resistance"), positive(C, "capacity")
    same_length(R_steps, C_nodes)
    _, tau = ladder_poles(R_steps, C_nodes)
    R_terms, tau_terms = _until_stable(lambda: _polish(R_steps, C_nodes, 1.0 / tau))
    order = np.argsort(tau_terms)
    return R_terms[order], tau_terms[order]


def positive(values: ArrayLike, what: str) -> Array:
    """Values as a row of floats, refused unless all are positive and finite.

    Args:
        values: one number or a row of them (K,).
        what: their name in the error.

    Returns:
        The values (K,).

    Raises:
        ValueError: no value, more than one row, or one that is not positive and finite.
    """
    array = np.atleast_1d(np.asarray(values, dtype=float))
    if array.ndim != 1 or array.size == 0:
        raise ValueError(f"a row of at least one {what} is needed")
    if not (np.isfinite(array).all() and (array > 0).all()):
        raise ValueError(f"a {what} is not positive and finite: {array.tolist()}")
    return array


def same_length(one: Array, other: Array) -> None:
    """Refuse two rows of different length.

    Args:
        one: values (K,).
        other: values that belong to them (K,).

    Raises:
        ValueError: the lengths differ.
    """
    if one.shape != other.shape:
        raise ValueError(f"{one.size} values against {other.size}; there must be as many of each")


def _until_stable(compute: Callable[[], _Pair]) -> tuple[Array, Array]:
    """Double the working precision until two results agree beyond a float's last digit."""
    digits, before = _FIRST_DIGITS, None
    while digits <= _MOST_DIGITS:
        with localcontext() as context:
            context.prec = digits
            try:
                now = compute()
            except ArithmeticError:
                now = None
            if now and before and all(map(_agree, before, now)):
                return np.array(now[0], dtype=float), np.array(now[1], dtype=float)
        digits, before = 2 * digits, now
    raise ValueError("the terms lie too close together to be converted")


def _agree(before: Sequence[Decimal], now: Sequence[Decimal]) -> bool:
    return all(y > 0 and abs(x - y) <= _AGREEMENT * y for x, y in zip(before, now, strict=True))


def _continued_fraction(R: Array, tau: Array) -> _Pair:
    """Ladder of Z = N/D by taking out a shunt capacity and a series resistance in turn."""
    terms = [Decimal(value) for value in tau.tolist()]
    denominator = [Decimal(1)]
    for term in terms:
        denominator = _add(
            [*denominator, Decimal(0)], [Decimal(0), *(term * c for c in denominator)]
        )
    numerator = [Decimal(0)] * len(terms)
    for weight, term in zip(R.tolist(), terms, strict=True):
        numerator = _add(numerator, _without(denominator, term, Decimal(weight)))
    R_steps, C_nodes = [], []
    while numerator:
        C_nodes.append(denominator[-1] / numerator[-1])
        denominator = _add(denominator, [Decimal(0), *(-C_nodes[-1] * c for c in numerator)])[:-1]
        R_steps.append(numerator[-1] / denominator[-1])
        numerator = _add(numerator, [-R_steps[-1] * c for c in denominator])[:-1]
    return R_steps, C_nodes


def _add(one: Sequence[Decimal], other: Sequence[Decimal]) -> list[Decimal]:
    return [x + y for x, y in zip(one, other, strict=True)]


def _without(product: Sequence[Decimal], term: Decimal, weight: Decimal) -> list[Decimal]:
    """weight * product / (1 + s term), coefficients ascending in s."""
    quotient, carry = [], Decimal(0)
    for coefficient in product[:-1]:
        carry = coefficient - term * carry
        quotient.append(weight * carry)
    return quotient


def _polish(R: Array, C: Array, rates: Array) -> _Pair:
    """Foster terms of a ladder from start values for its poles, to the working precision."""
    steps = [Decimal(value) for value in R.tolist()]
    capacities = [Decimal(value) for value in C.tolist()]
    # Start values 1e-17 apart: two that are equal as floats would stay equal.
    hairs = [1 + k * Decimal("1e-17") for k in range(len(rates))]
    poles = [Decimal(value) * hair for value, hair in zip(rates.tolist(), hairs, strict=True)]
    for _ in range(40):
        moves = []
        for k, pole in enumerate(poles):
            _, flow, slope = _walk(steps, capacities, pole)
            crowd = sum(1 / (pole - other) for j, other in enumerate(poles) if j != k)
            moves.append(flow / (slope - flow * crowd))
        poles = [pole - move for pole, move in zip(poles, moves, strict=True)]
        if all(
            abs(move) <= Decimal("1e-25") * abs(pole)
            for move, pole in zip(moves, poles, strict=True)
        ):
            break
    resistances = []
    for pole in poles:
        rise, _, slope = _walk(steps, capacities, pole)
        resistances.append(-rise / (slope * pole))
    return resistances, [1 / pole for pole in poles]


def _walk(
    steps: Sequence[Decimal], capacities: Sequence[Decimal], rate: Decimal
) -> tuple[Decimal, Decimal, Decimal]:
    """Rise, heat flow and its slope at node 0 for s = -rate, one watt leaving at the far end."""
    rise, flow, rise_slope, flow_slope = Decimal(0), Decimal(1), Decimal(0), Decimal(0)
    for R, C in zip(reversed(steps), reversed(capacities), strict=True):
        rise, rise_slope = rise + R * flow, rise_slope + R * flow_slope
        flow, flow_slope = flow - rate * C * rise, flow_slope - C * (rise + rate * rise_slope)
    return rise, flow, flow_slope
