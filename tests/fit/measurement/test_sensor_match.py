"""Spans of products whose thermocouples show their rises by factors a little off one."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from bench.virtual.prototype import CaseSurface, Prototype, Sensor, read_sensor, simulate
from fit.measurement.spans import Spans, measure
from fit.records.metadata import RunMetadata
from fit.records.run import Run

NODES = ("tab", "bar", "case", "ambient")
R_K_PER_W, C_J_PER_K, POWER_W = (4.0, 0.5), (2.0, 20.0, 300.0), 5.0
MATCH_U = 0.005
GAIN = {"tab": -0.006, "bar": 0.008, "case": -0.004, "ambient": 0.0}


def read(gain: dict[str, float], match_u: float, heat_s: float = 1800.0) -> Run:
    """A record of a made ladder, each sensor's rise off by its gain."""
    random = np.random.default_rng(4)
    t_s = np.arange(0.0, 120.0 + heat_s)
    power = np.where(t_s >= 120.0, POWER_W, 0.0)
    sensors = {node: Sensor(0.0, 0.03, 1.5, 0.0, low_reading=-gain[node]) for node in NODES}
    prototype = Prototype(NODES, (*R_K_PER_W, 8.0), C_J_PER_K, CaseSurface(0.012), sensors=sensors)
    true = simulate(prototype, t_s, power)
    columns = [read_sensor(sensors[n], t_s, true[n], true["ambient"], random) for n in NODES]
    return Run(
        Path("made"), "made", NODES, t_s, np.column_stack(columns), power,
        metadata=RunMetadata(match_u=dict.fromkeys(NODES, match_u) if match_u else {}),
    )  # fmt: skip


def inner_u(spans: Spans) -> np.ndarray:
    return np.sqrt(np.diag(spans.total_covariance))[:-1]


@pytest.fixture(scope="module")
def stated() -> Spans:
    return measure(read(GAIN, MATCH_U))


def test_spans_are_right_though_every_sensor_is_off(stated) -> None:
    assert np.all(np.abs(stated.R_K_per_W[:-1] - R_K_PER_W) < 2.5 * inner_u(stated))


def test_a_record_tells_more_of_its_sensors_than_the_rig_states(stated) -> None:
    """Bar and case differ by 1.2 % of a rise of 36 K: a fifth of the drop between them."""
    naive = MATCH_U * np.sqrt(2) * 8.0
    assert inner_u(stated)[1] < 0.5 * naive
    assert abs(stated.R_K_per_W[1] - R_K_PER_W[1]) < 0.1 * abs(GAIN["bar"] - GAIN["case"]) * 8.0


def test_what_it_does_not_tell_stays_in_the_uncertainty(stated) -> None:
    """Of a rise above the case no gain is told from its resistance: at least that share of it."""
    match = np.sqrt(np.diag(stated.covariance["sensor_match"]))[:-1]
    assert 0 < match[0] < MATCH_U * sum(R_K_PER_W) * 1.5


def test_sensors_whose_match_is_not_stated_count_as_exact_and_put_spans_off() -> None:
    spans = measure(read(GAIN, 0.0))
    assert abs(spans.R_K_per_W[1] - R_K_PER_W[1]) > 0.5 * abs(GAIN["bar"] - GAIN["case"]) * 8.0
    assert not spans.covariance["sensor_match"].any()


def test_a_bead_far_outside_the_match_is_left_in_the_spans_for_the_causes_to_tell() -> None:
    """A tab that misses 3 % of its rise of some 60 K, six times what the rig states: noise alone
    would let a ladder explain it away."""
    loose = measure(read(GAIN | {"tab": -0.03}, MATCH_U))
    missed_K_per_W = 0.03 * (sum(R_K_PER_W) + 8.0)
    assert loose.R_K_per_W[0] == pytest.approx(R_K_PER_W[0] - missed_K_per_W, rel=0.05)


def test_gains_within_the_match_change_no_span_of_exact_sensors() -> None:
    exact = read(dict.fromkeys(NODES, 0.0), 0.0)
    known = measure(exact)
    doubted = measure(replace(exact, metadata=RunMetadata(match_u=dict.fromkeys(NODES, MATCH_U))))
    assert doubted.R_K_per_W[:-1] == pytest.approx(known.R_K_per_W[:-1], rel=0.01)
    assert np.all(inner_u(doubted) > inner_u(known))
