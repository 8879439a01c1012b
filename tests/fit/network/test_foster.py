"""Foster and Cauer networks: conversion, poles and responses."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lsim

from fit.network.foster import (
    cauer_to_foster,
    foster_to_cauer,
    impedance_curve,
    pulse_extremes,
    pulse_response,
    response_to_power,
    step_response,
)
from fit.network.modes import ladder_poles

values = st.floats(1e-3, 1e3)
ladders = st.lists(st.tuples(values, values), min_size=1, max_size=10)


def random_foster(terms, seed):
    """Resistances over two decades, time constants over six."""
    rng = np.random.default_rng(seed)
    R = 10 ** rng.uniform(-1, 1, terms)
    spacing = 6 / terms
    tau = 10 ** (spacing * (np.arange(terms) + rng.uniform(-0.4, 0.4, terms)) - 2)
    return R, tau


def largest_error(found, expected):
    return max(np.max(np.abs(one / other - 1)) for one, other in zip(found, expected, strict=True))


@pytest.mark.parametrize(("terms", "tolerance"), [(1, 1e-10), (4, 1e-10), (10, 1e-10), (20, 1e-6)])
@pytest.mark.parametrize("seed", range(5))
def test_foster_survives_the_round_trip(terms, tolerance, seed):
    foster = random_foster(terms, seed)
    assert largest_error(cauer_to_foster(*foster_to_cauer(*foster)), foster) < tolerance


@pytest.mark.parametrize(("terms", "tolerance"), [(10, 1e-10), (20, 1e-6)])
@pytest.mark.parametrize("seed", range(5))
def test_ladder_survives_the_round_trip(terms, tolerance, seed):
    rng = np.random.default_rng(seed)
    ladder = 10 ** rng.uniform(-1, 1, terms), 10 ** rng.uniform(-1, 1, terms)
    assert largest_error(foster_to_cauer(*cauer_to_foster(*ladder)), ladder) < tolerance


@settings(deadline=None, max_examples=50)
@given(ladders)
def test_foster_of_a_ladder_has_its_total_resistance_and_source_capacity(ladder):
    R, C = np.array(ladder).T
    R_terms, tau = cauer_to_foster(R, C)
    assert (R_terms > 0).all()
    assert (tau > 0).all()
    assert np.sum(R_terms) == pytest.approx(np.sum(R), rel=1e-12)
    assert 1 / np.sum(R_terms / tau) == pytest.approx(C[0], rel=1e-9)


def test_time_constants_ten_digits_apart_keep_their_accuracy():
    ladder = [1e-3, 10.0, 1e3], [1e-4, 5.0, 1e5]
    _, tau = ladder_poles(*ladder)
    assert tau == pytest.approx(cauer_to_foster(*ladder)[1], rel=1e-12)


@pytest.mark.parametrize(
    ("R", "tau"),
    [([1.0, -0.1], [1.0, 10.0]), ([1.0, 2.0], [5.0, 5.0]), ([1.0], [1.0, 2.0]), ([], []),
     ([1.0], [np.nan]), ([1.0], [0.0])],
)  # fmt: skip
def test_foster_without_a_ladder_is_refused(R, tau):
    with pytest.raises(ValueError, match=r"positive|equal|as many|at least one"):
        foster_to_cauer(R, tau)


@pytest.mark.parametrize("node", range(5))
def test_ladder_nodes_follow_the_heat_equations(node):
    R, C = np.array([0.5, 2.0, 1.0, 4.0]), np.array([0.3, 5.0, 2.0, 50.0])
    conductance = np.diag(1 / R) + np.diag(np.append(0, 1 / R[:-1]))
    conductance -= np.diag(1 / R[:-1], 1) + np.diag(1 / R[:-1], -1)
    state = -conductance / C[:, np.newaxis]
    source = np.array([[1 / C[0]], [0], [0], [0]])
    look = np.append(np.eye(4), np.zeros((1, 4)), axis=0)[node : node + 1]
    t = np.linspace(0, 400, 4001)
    _, rise, _ = lsim((state, source, look, [[0]]), np.ones_like(t), t)
    assert step_response(*ladder_poles(R, C, node), t) == pytest.approx(rise, abs=1e-9)


def test_downstream_nodes_answer_with_a_delay():
    amplitude, _ = ladder_poles([1, 2, 3], [1, 2, 3], node=2)
    assert amplitude.min() < 0
    assert amplitude.sum() == pytest.approx(3)


@pytest.mark.parametrize("node", range(5))
def test_node_without_capacity_is_the_limit_of_a_small_one(node):
    R, t = [1.0, 2.0, 0.5, 3.0], np.linspace(0.5, 100, 50)
    exact = step_response(*ladder_poles(R, [0, 2, 0, 3], node), t)
    nearly = step_response(*ladder_poles(R, [1e-9, 2, 1e-9, 3], node), t)
    assert exact == pytest.approx(nearly, abs=1e-7)


def test_ladder_without_any_capacity_answers_at_once():
    amplitude, tau = ladder_poles([1.0, 2.0], [0.0, 0.0], node=1)
    assert step_response(amplitude, tau, [-1.0, 0.0, 1e-9]).tolist() == [0.0, 0.0, 2.0]


def test_node_beyond_the_ladder_is_refused():
    with pytest.raises(ValueError, match="node 3 does not exist"):
        ladder_poles([1.0, 2.0], [1.0, 1.0], node=3)


def test_step_of_several_nodes_at_once():
    both = step_response([[1.0, 2.0], [3.0, -1.0]], [1.0, 10.0], [0.0, 5.0, 1e9])
    assert both.shape == (2, 3)
    assert both[:, -1] == pytest.approx([3.0, 2.0])


def test_short_times_lose_no_digits():
    assert step_response([5.0], [1e6], [1e-6])[0] == pytest.approx(5e-12, rel=1e-9)


def test_power_as_a_line_agrees_with_a_general_simulator():
    t = np.linspace(0, 60, 601)
    power = np.sin(t) + (t > 20)
    expected = lsim(([2.0], [7.0, 1.0]), power, t)[1] - lsim(([0.5], [1.5, 1.0]), power, t)[1]
    found = response_to_power([2.0, -0.5], [7.0, 1.5], t, power, between="line")
    assert found == pytest.approx(expected, abs=1e-10)


def test_power_on_uneven_times_is_exact():
    t = np.array([0.0, 1.0, 1.0, 1.5, 9.0, 9.001, 400.0])
    power = np.array([0.0, 0.0, 4.0, 1.0, 0.0, 2.0, 2.0])
    on = [(1.0, 4.0), (1.5, -3.0), (9.0, -1.0), (9.001, 2.0)]
    expected = sum(size * step_response([2.0, 1.0], [3.0, 50.0], t - at) for at, size in on)
    assert response_to_power([2.0, 1.0], [3.0, 50.0], t, power) == pytest.approx(
        expected, abs=1e-12
    )


@pytest.mark.parametrize("between", ["hold", "line"])
def test_a_step_between_two_rows_of_one_time_is_a_step(between):
    t, power = np.array([0.0, 5.0, 5.0, 15.0, 40.0]), np.array([0.0, 0.0, 4.0, 4.0, 4.0])
    expected = 4 * step_response([2.0, -0.5], [7.0, 1.5], np.maximum(t - 5, 0))
    found = response_to_power([2.0, -0.5], [7.0, 1.5], t, power, between)
    assert found == pytest.approx(expected, abs=1e-12)


def test_power_is_superposed():
    rng = np.random.default_rng(4)
    t = np.sort(rng.uniform(0, 100, 200))
    one, other = rng.uniform(0, 5, (2, 200))
    response = lambda power: response_to_power([1.0, 3.0], [2.0, 40.0], t, power, "line")  # noqa: E731
    assert response(one + other) == pytest.approx(response(one) + response(other), abs=1e-10)


@pytest.mark.parametrize(
    ("t", "power"),
    [([0.0, 2.0, 1.0], [1.0, 1.0, 1.0]), ([0.0, 1.0], [1.0]), ([0.0, np.nan], [1, 1])],
)
def test_power_on_bad_times_is_refused(t, power):
    with pytest.raises(ValueError, match="times"):
        response_to_power([1.0], [1.0], t, power)


def test_pulse_train_is_the_power_it_stands_for():
    t = np.linspace(0, 100, 4001)
    power = (np.arange(4001) % 280 < 80).astype(float)  # 2 s of every 7 s
    train = pulse_response([1.0, 0.5], [3.0, 20.0], t, 2.0, 7.0)
    assert train == pytest.approx(response_to_power([1.0, 0.5], [3.0, 20.0], t, power), abs=1e-12)


def test_single_pulse_rises_and_falls_back():
    rise = pulse_response([2.0], [5.0], [0.0, 5.0, 10.0, 1000.0], 5.0)
    peak = 2 * (1 - np.exp(-1))
    assert rise == pytest.approx([0, peak, peak * np.exp(-1), 0], abs=1e-12)


def test_pulse_train_settles_at_its_extremes():
    R, tau = [1.0, 0.5], [3.0, 20.0]
    peak, trough = pulse_extremes(R, tau, 2.0, 7.0)
    settled = pulse_response(R, tau, [7e3 + 2.0, 7e3 + 7.0], 2.0, 7.0)
    assert (peak, trough) == pytest.approx(settled, rel=1e-9)


@pytest.mark.parametrize("width", [7.0, 1e-9])
def test_duty_one_is_steady_and_fast_pulses_average(width):
    period = width / (1.0 if width > 1 else 0.25)
    peak, trough = pulse_extremes([1.0, 0.5], [3.0, 20.0], width, period)
    assert [peak, trough] == pytest.approx([1.5 * width / period] * 2, rel=1e-6)


@pytest.mark.parametrize(("width", "period"), [(0.0, 1.0), (2.0, 1.0), (np.nan, 1.0)])
def test_impossible_pulses_are_refused(width, period):
    with pytest.raises(ValueError, match=r"width|shorter"):
        pulse_response([1.0], [1.0], [0.0], width, period)


def test_impedance_curve_covers_what_happens():
    t, impedance = impedance_curve([1.0, 2.0], [0.1, 100.0])
    assert impedance[0] < 0.02
    assert impedance[-1] == pytest.approx(3.0, rel=1e-4)
    assert np.ptp(np.diff(np.log(t))) < 1e-9
