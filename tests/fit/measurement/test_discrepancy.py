"""What no network of lumps tells, worked by hand on drops that are known."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from fit.measurement.discrepancy import (
    LastDoubling,
    is_noise,
    ladder_discrepancy_u,
    last_doubling,
)
from fit.measurement.spans import _of_fields
from fit.records.run import Array
from fit.signals.preparation import Signals

OCTAVES = 3.5  # of the time heated, in products that are fields (`tests.benchmarks.field`)
NODES = ("tab", "bar", "case")
HALF_K, END_K = np.array([22.0, 9.0, 3.0]), np.array([30.0, 13.0, 5.0])  # above 20 degC
POWER_W = 4.0
WEIGHT = 1 + 0.5 * OCTAVES
"""The resistance is the drop at the end and half of OCTAVES times what was gained since half time:
the end counts with this weight, the middle with one less."""


def step(scans: int = 102, **changed: object) -> Signals:
    """So many scans a second apart, heated from the first: one level to 3/4 of it, then another."""
    t_s = np.arange(float(scans))
    early = (t_s < 0.75 * (scans - 1))[:, None]
    temperature: Array = 20.0 + np.where(early, HALF_K, END_K)
    still = np.zeros(3)
    signals = Signals(
        t_s, NODES, temperature, np.full(scans, POWER_W), "W", still, still, (0.0,), (), ()
    )
    return replace(signals, **changed)  # type: ignore[arg-type]


def found(**changed: object) -> LastDoubling:
    doubling = last_doubling(step(**changed), NODES)  # type: ignore[arg-type]
    assert doubling is not None
    return doubling


def test_what_was_reached_is_the_drop_per_watt_at_the_end() -> None:
    assert found().reached_K_per_W == pytest.approx([17 / 4, 8 / 4])


def test_what_was_gained_is_the_drop_per_watt_since_half_time() -> None:
    """(17 - 13) / 4 and (8 - 6) / 4."""
    assert found().gained_K_per_W == pytest.approx([1.0, 0.5])


def test_half_of_what_may_come_is_taken_and_the_rectangle_is_its_uncertainty() -> None:
    """JCGM 101, 6.4.2: a rectangle's standard deviation is its width over root 12."""
    doubling = found()
    assert doubling.resistance_K_per_W == pytest.approx([4.25 + 0.5 * OCTAVES, 2 + 0.25 * OCTAVES])
    assert doubling.discrepancy_u_K_per_W == pytest.approx(
        [OCTAVES / 12**0.5, OCTAVES / 2 / 12**0.5]
    )


def test_a_drop_that_falls_is_as_unsure_as_one_that_grows() -> None:
    doubling = LastDoubling(np.ones(1), np.array([-2.0]), np.zeros((1, 1)), np.zeros((1, 1)))
    assert doubling.discrepancy_u_K_per_W == pytest.approx([OCTAVES * 2 / 12**0.5])


def test_noise_is_that_of_seven_scans_at_the_end_and_six_in_the_middle() -> None:
    """6 % of 101 s: 94.9 to 101 s, and 47.5 to 53.5 s. Neighbouring spans share a node."""
    noise = np.array([0.1, 0.2, 0.3])
    variance = noise**2 * (WEIGHT**2 / 7 + (WEIGHT - 1) ** 2 / 6) / POWER_W**2
    assert found(noise_K=noise).noise_covariance == pytest.approx(
        np.array(
            [[variance[0] + variance[1], -variance[1]], [-variance[1], variance[1] + variance[2]]]
        )
    )


def test_rounding_is_a_rectangle_that_no_mean_narrows() -> None:
    quantum = np.array([0.1, 0.2, 0.3])
    variance = quantum**2 / 12 * (WEIGHT**2 + (WEIGHT - 1) ** 2) / POWER_W**2
    assert np.diag(found(quantum_K=quantum).noise_covariance) == pytest.approx(
        [variance[0] + variance[1], variance[1] + variance[2]]
    )


def test_an_offset_is_the_same_all_along() -> None:
    """It does not count for more where the end counts for more: the middle takes it off again."""
    u = np.array([0.1, 0.2, 0.3])
    assert found(zero_power_offset_u_K=u).offset_covariance == pytest.approx(
        np.array([[0.01 + 0.04, -0.04], [-0.04, 0.04 + 0.09]]) / POWER_W**2
    )


def test_what_is_read_with_no_power_does_not_count() -> None:
    power = np.where(np.arange(201) < 100, 0.0, POWER_W)
    whole = step(101)
    before = np.full((100, 3), 20.0)
    signals = replace(
        whole,
        t_s=np.arange(201.0),
        temperature_degC=np.vstack([before, whole.temperature_degC]),
        power=power,
    )
    doubling = last_doubling(signals, NODES)
    assert doubling is not None
    assert doubling.reached_K_per_W == pytest.approx([4.25, 2.0])
    assert doubling.gained_K_per_W == pytest.approx([1.0, 0.5])


@pytest.mark.parametrize(
    ("change", "tells"),
    [(0.0, True), (0.0199, True), (0.0201, False)],
)
def test_only_one_step_of_power_tells(change: float, tells: bool) -> None:
    """Half the scans higher, half lower by a share: that is the relative scatter, 2 % at most."""
    power = POWER_W * (1 + change * np.where(np.arange(100) % 2, 1.0, -1.0))
    assert (last_doubling(replace(step(100), power=power), NODES) is not None) is tells


def test_a_step_of_a_tenth_of_a_watt_tells_as_well() -> None:
    doubling = found(power=np.full(102, 0.1))
    assert doubling.reached_K_per_W == pytest.approx([170.0, 80.0])


def test_a_warm_start_tells_nothing() -> None:
    assert last_doubling(step(hot_start=True), NODES) is None


@pytest.mark.parametrize(("scans", "tells"), [(11, False), (12, True)])
def test_a_few_scans_tell_nothing(scans: int, tells: bool) -> None:
    assert (last_doubling(step(scans), NODES) is not None) is tells


def test_a_node_that_was_not_read_at_the_end_tells_nothing() -> None:
    signals = step()
    signals.temperature_degC[-5:, 1] = np.nan
    assert last_doubling(signals, NODES) is None


@pytest.mark.parametrize(("excess", "noise"), [(0.99, True), (1.01, False), (-9.0, True)])
def test_a_sum_of_squares_is_noise_up_to_so_many_of_its_standard_deviations(
    excess: float, noise: bool
) -> None:
    """Two of them above what is expected."""
    assert is_noise(200 + excess * 2 * 20, 200.0, 20.0) is noise


GENERAL_K_PER_W = np.array([9.0, 3.0])  # what a model has fitted to the two spans
SOURCES = {name: np.diag(u2) for name, u2 in {"fit": [0.1, 0.2], "power": [0.09, 0.01]}.items()}


def of_fields(signals: Signals) -> tuple[Array, dict[str, Array]]:
    response: Any = SimpleNamespace(signals=signals, power=POWER_W)
    return _of_fields(response, NODES, GENERAL_K_PER_W, SOURCES)


def test_a_field_is_measured_by_what_was_reached_and_not_by_a_model() -> None:
    R, covariance = of_fields(step(noise_K=np.full(3, 0.1), zero_power_offset_u_K=np.full(3, 0.2)))
    doubling = found(noise_K=np.full(3, 0.1), zero_power_offset_u_K=np.full(3, 0.2))
    assert pytest.approx(doubling.resistance_K_per_W) == R
    assert covariance["fit"] == pytest.approx(doubling.noise_covariance)
    assert covariance["offset"] == pytest.approx(doubling.offset_covariance)
    u = doubling.discrepancy_u_K_per_W
    assert covariance["discrepancy"] == pytest.approx(np.diag(u**2))


def test_the_powers_error_of_a_field_is_the_same_share_of_its_spans() -> None:
    """0.3 of 9 and 0.1 of 3 K/W: a thirtieth each, and one and the same."""
    R, covariance = of_fields(step())
    assert covariance["power"] == pytest.approx(np.outer(R, R) / 30**2)


def test_where_no_single_step_tells_a_third_of_what_the_model_adds_is_doubt() -> None:
    """Reached 4.25 and 2 K/W, fitted 9 and 3: 0.35 of 4.75 and of 1."""
    R, covariance = of_fields(step(hot_start=True))
    assert R.tolist() == GENERAL_K_PER_W.tolist()
    u = 0.35 * np.array([4.75, 1.0])
    assert covariance["discrepancy"] == pytest.approx(np.diag(u**2))
    assert covariance["power"] is SOURCES["power"]


def test_a_ladder_whose_span_is_still_gaining_is_as_unsure_as_a_field_would_be() -> None:
    """0.35 x 0.4 of its extrapolation, and 1.2 x (1 - 0.4) of its gain: by hand."""
    u = ladder_discrepancy_u(np.array([1.0, 0.0]), np.array([0.4, 0.0]), np.zeros(2))
    assert u == pytest.approx([np.hypot(0.14, 0.72), 0.0])


def test_a_slow_rise_put_down_to_the_sensors_may_be_the_products_as_well() -> None:
    settled = np.zeros(2)
    u = ladder_discrepancy_u(settled, settled, np.array([0.1, -0.2]))
    assert u == pytest.approx([0.12, 0.24])
