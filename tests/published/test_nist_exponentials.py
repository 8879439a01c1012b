"""The solver against NIST's certified exponentials and a published variable-projection example.

NIST StRD nonlinear regression, Lanczos2, Lanczos3 and MGH17 (tests/published/nist, unchanged
from the NIST_STRD folder of lmfit's source distribution; NIST's data are in the public
domain). Read there: certified parameters and standard deviations to 11 digits.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from fit.identification.least_squares import (
    Basis,
    Derivative,
    Problem,
    solve,
)
from fit.records.run import Array
from tests.support.jacobian import full_jacobian

NIST = Path(__file__).parent / "nist"


@dataclass(frozen=True)
class Certified:
    x: Array
    y: Array
    starts: Array  # (2, parameters)
    value: Array
    sd: Array


def read_nist(name: str) -> Certified:
    lines = (NIST / f"{name}.dat").read_text().splitlines()
    table = [line.split("=")[1].split() for line in lines[40:] if line.strip().startswith("b")]
    numbers = np.array([[float(cell) for cell in row] for row in table])
    begin = next(i for i, line in enumerate(lines) if line.startswith("Data:  ") and i > 50)
    data = np.array([[float(cell) for cell in line.split()] for line in lines[begin + 1 :]])
    return Certified(data[:, 1], data[:, 0], numbers[:, :2].T, numbers[:, 2], numbers[:, 3])


def exponentials(x: Array, constant: bool) -> Basis:
    """(1,) exp(-rate_k x) with θ = ln rate."""

    def basis(theta: Array) -> tuple[Array, list[Derivative]]:
        rate = np.exp(theta)
        decay = np.exp(-np.outer(x, rate))
        phi = np.column_stack([np.ones(len(x)), decay]) if constant else decay
        return phi, [
            ([k + int(constant)], (-x * rate[k] * decay[:, k])[:, None]) for k in range(len(theta))
        ]

    return basis


def fitted(name: str, start: int) -> tuple[Array, Array, Certified]:
    """Parameters and standard deviations in NIST's order."""
    certified = read_nist(name)
    constant = name == "MGH17"
    size = len(certified.value)
    rates = np.array([3, 4]) if constant else np.arange(1, size, 2)
    linear = np.setdiff1d(np.arange(size), rates)
    n = len(certified.y)
    limit = np.full(len(rates), np.inf)
    problem = Problem(
        exponentials(certified.x, constant),
        certified.y[:, None],
        np.ones((n, 1)),
        -limit,
        limit,
    )
    found = solve(problem, np.log(certified.starts[start][rates]), relative=1e-15, most_steps=400)
    J = full_jacobian(found, problem.weight)[0]
    scale = np.linalg.norm(J, axis=0)
    R = np.linalg.qr(J / scale)[1]
    inverse = np.linalg.inv(R)
    variance = np.sum(inverse**2, axis=1) / scale**2 * found.cost / (n - size)
    rate = np.exp(found.theta)
    value, sd = np.empty(size), np.empty(size)
    value[rates], value[linear] = rate, found.coefficient[:, 0]
    sd[rates] = rate * np.sqrt(variance[: len(rates)])
    sd[linear] = np.sqrt(variance[len(rates) :])
    if constant and abs(value[3] - certified.value[3]) > abs(value[4] - certified.value[3]):
        swap = [0, 2, 1, 4, 3]
        value, sd = value[swap], sd[swap]
    if not constant:
        rank = np.argsort(value[rates])
        for array in (value, sd):
            array[rates], array[linear] = array[rates][rank], array[linear][rank]
    return value, sd, certified


def digits(found: Array, certified: Array) -> float:
    """Matching digits of the worst value, as NIST's log relative error."""
    error = np.abs(found - certified) / np.abs(certified)
    return float(np.min(-np.log10(np.maximum(error, 1e-16))))


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("name", ["Lanczos2", "Lanczos3", "MGH17"])
def test_parameters_match_the_certified_values_to_six_digits(name: str, start: int) -> None:
    value, _, certified = fitted(name, start)
    assert digits(value, certified.value) >= 6


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("name", ["Lanczos2", "Lanczos3", "MGH17"])
def test_standard_deviations_match_to_five_digits(name: str, start: int) -> None:
    _, sd, certified = fitted(name, start)
    assert digits(sd, certified.sd) >= 5


def test_exponentials_with_a_cosine_of_oleary_and_rust() -> None:
    """O'Leary & Rust, Comput. Optim. Appl. 54 (2013) 579: t, y and model as in their example.

    c1 exp(-a2 t) cos(a3 t) + c2 exp(-a1 t) cos(a2 t); the optimum was computed independently.
    """
    t = np.array([0, 0.1, 0.22, 0.31, 0.46, 0.5, 0.63, 0.78, 0.85, 0.97])
    y = np.array(
        [6.9842, 5.1851, 2.8907, 1.4199, -0.2473, -0.5243, -1.0156, -1.0260, -0.9165, -0.6805]
    )
    w = np.array([1.0, 1.0, 1.0, 0.5, 0.5, 1.0, 0.5, 1.0, 0.5, 0.5])

    def basis(theta: Array) -> tuple[Array, list[Derivative]]:
        a1, a2, a3 = theta
        one, two = np.exp(-a2 * t) * np.cos(a3 * t), np.exp(-a1 * t) * np.cos(a2 * t)
        derivatives: list[Derivative] = [
            ([1], (-t * two)[:, None]),
            ([0, 1], np.column_stack([-t * one, -t * np.exp(-a1 * t) * np.sin(a2 * t)])),
            ([0], (-t * np.exp(-a2 * t) * np.sin(a3 * t))[:, None]),
        ]
        return np.column_stack([one, two]), derivatives

    limit = np.full(3, np.inf)
    problem = Problem(basis, y[:, None], w[:, None], -limit, limit)
    found = solve(problem, np.array([0.5, 2.0, 3.0]), relative=1e-15, most_steps=200)
    assert found.theta == pytest.approx([1.0132264, 2.4968660, 4.0625105], rel=1e-5)
    assert found.coefficient[:, 0] == pytest.approx([5.8416452, 1.1436759], rel=1e-5)
