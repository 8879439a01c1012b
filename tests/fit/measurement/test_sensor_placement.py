"""A loose thermocouple shows in the case's slow rise, no budget needed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bench.virtual.prototype import Prototype, Sensor
from fit.assessment.conformity import hold
from fit.measurement.sensor_placement import (
    _correlation_length,
    _regress,
    _time_scale,
    slow_share,
)
from fit.measurement.spans import measure
from fit.records.run import Run
from fit.signals.preparation import prepare
from tests.benchmarks.faulty_rigs import SOAK_S, random_rig, record

GAIN_U = 0.003  # of a thermocouple and its channel, as the documentation states
NODES = ("junction", "tab", "board_back", "bar", "case", "ambient")
R_K_PER_W = (1.0, 3.0, 0.6, 0.5, 6.0)
C_J_PER_K = (0.05, 2.0, 6.0, 30.0, 200.0)


def share_of(low=None, resistance=R_K_PER_W):
    sensors = {
        node: Sensor(0.7, 0.03, 2.0, 1 / 16, (low or {}).get(node, 0.0)) for node in NODES[1:]
    }
    prototype = Prototype(NODES, resistance, C_J_PER_K, sensors=sensors)
    run = record(prototype, 5.0, np.random.default_rng(3))
    signals = prepare(run)
    return slow_share(signals, signals.nodes)


@pytest.fixture(scope="module")
def sound():
    return share_of()


def test_sound_spans_show_the_stored_heat_only(sound):
    """R_j c_j / R_last with c_j the share of the heat capacity upstream."""
    stored = np.cumsum(C_J_PER_K)[1:4] / sum(C_J_PER_K)
    expected = np.array(R_K_PER_W[1:4]) * stored / R_K_PER_W[-1]
    u = np.sqrt(np.diag(sound.covariance)[:3])
    assert np.all(np.abs(sound.share[:3] - expected) < 3 * u)
    assert np.all(u < 0.01)


def test_last_span_shows_all_of_it_by_definition(sound):
    assert sound.share[-1] == 1.0
    assert sound.covariance[-1, -1] == 0.0


@pytest.mark.parametrize(("node", "above", "below"), [("board_back", 0, 1), ("bar", 1, 2)])
def test_bead_that_misses_a_tenth_moves_both_its_spans(sound, node, above, below):
    moved = share_of({node: 0.1}).share - sound.share
    assert moved[above] == pytest.approx(0.1, abs=0.01)
    assert moved[below] == pytest.approx(-0.1, abs=0.01)


def test_case_bead_is_seen_against_its_own_reading(sound):
    moved = share_of({"case": 0.2}).share - sound.share
    assert moved[2] == pytest.approx(0.2 / 0.8, abs=0.02)


def test_high_resistance_moves_no_share(sound):
    doubled = share_of(resistance=(1.0, 3.0, 1.2, 0.5, 6.0))
    assert np.abs(doubled.share - sound.share).max() < 0.02


def test_without_ambient_there_is_no_such_evidence():
    prototype = Prototype(
        NODES, R_K_PER_W, C_J_PER_K, sensors={n: Sensor(0.0, 0.03) for n in NODES}
    )
    signals = prepare(record(prototype, 5.0, np.random.default_rng(0)))
    assert slow_share(signals, signals.nodes[:-1]) is None


def begun(run: Run, heat_s: float) -> Run:
    """The same run, ended so long after the power came on."""
    n = int(np.searchsorted(run.t_s, SOAK_S + heat_s))
    return replace(
        run, t_s=run.t_s[:n], temperature_degC=run.temperature_degC[:n], power=run.power[:n]
    )


@pytest.mark.parametrize("seconds", [90, 180, 300])
def test_record_too_short_to_tell_slow_from_fast_does_not_claim_to(seconds):
    """The share that stored heat explains lies within what is stated, however short the record."""
    R = np.array([1.0, 3.0, 0.6, 1.0, 6.0])
    sensors = {node: Sensor(0.7, 0.03, 2.0, 1 / 16) for node in NODES[1:]}
    prototype = Prototype(NODES, tuple(R), C_J_PER_K, sensors=sensors)
    whole = record(prototype, 5.0, np.random.default_rng(3), interval_s=1.0)
    signals = prepare(begun(whole, seconds))
    found = slow_share(signals, signals.nodes)
    expected = R[1:4] * np.cumsum(C_J_PER_K)[1:4] / sum(C_J_PER_K) / R[-1]
    u = np.sqrt(np.diag(found.covariance)[:3])
    assert np.all(np.abs(found.share[:3] - expected) < 3 * u)


@pytest.mark.parametrize("seed", [7, 13, 18])
def test_loose_thermocouple_is_found_before_the_case_has_settled(seed):
    """What it misses is a part of the rise so far, not of one extrapolated from nothing."""
    rig = random_rig(seed, "thermocouple")
    spans = measure(begun(rig.run, 240.0))
    assert not spans.resolved[-1]
    lead = hold(spans, rig.prediction).findings[0]
    assert lead.lead
    assert (lead.kind, lead.where) == rig.cause


def test_time_scale_of_a_first_order_rise_is_its_time_constant():
    """From 3 % of it, after 0.0305 tau, to 63 %, after 0.9943 tau."""
    t_s = np.arange(0.0, 4000.0)
    found = _time_scale(t_s, 10 * -np.expm1(-t_s / 200.0))
    assert found == pytest.approx(200 * (0.9943 - 0.0305), abs=1.0)


def test_residuals_that_run_together_count_once_a_run():
    """(1 + rho)/(1 - rho) of the lag-one correlation: 9/10 of ten alike, none of ten in turns."""
    alike, turns = np.ones(10), np.tile([1.0, -1.0], 5)
    assert _correlation_length(np.column_stack([alike, turns])) == pytest.approx([19.0, 1.0])


def test_a_share_that_is_in_the_readings_is_found_exactly_and_gains_are_its_doubt():
    """Two spans of 3 and 2 K/W with 0.05 and -0.02 of the case's rise in them, no noise at all.

    A gain error of 0.3 % in each node: hypot(0.3, 0.3) % a span, the node between with both signs.
    """
    case = np.linspace(0.0, 20.0, 50)
    power = np.where(np.arange(50) < 25, 4.0, 1.0)
    middle = case + 2 * power - 0.02 * case
    upper = middle + 3 * power + 0.05 * case
    design = np.column_stack([np.ones(50), case, power])
    inner = np.array([[1.0, -1.0, 0.0], [0.0, 1.0, -1.0]])
    found = _regress(design, np.column_stack([upper, middle, case]), inner, np.ones(50))
    assert found.share == pytest.approx([0.05, -0.02, 1.0])
    gains = GAIN_U**2 * np.array([[2.0, -1.0, 0.0], [-1.0, 2.0, 0.0], [0.0, 0.0, 0.0]])
    assert found.covariance == pytest.approx(gains, abs=1e-12)


def test_scatter_of_a_share_is_that_of_ordinary_least_squares():
    """Seber & Lee, ch. 3: s^2 (X'X)^-1 with s^2 by n - p; residuals in turns do not correlate."""
    case = np.linspace(0.0, 20.0, 50)
    noise = 0.01 * np.tile([1.0, -1.0], 25)
    design = np.column_stack([np.ones(50), case, np.where(np.arange(50) < 25, 4.0, 1.0)])
    inner = np.array([[1.0, -1.0]])
    found = _regress(design, np.column_stack([case + noise, case]), inner, np.full(50, 3.0))
    residual = noise - design @ np.linalg.lstsq(design, noise, rcond=None)[0]
    expected = residual @ residual / 47 * np.linalg.inv(design.T @ design)[1, 1]
    assert found.covariance[0, 0] == pytest.approx(expected + 2 * GAIN_U**2)
    assert found.covariance[0, 0] - 2 * GAIN_U**2 == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(
    ("interval_s", "tells"), [(5.0, True), (28.0, True), (40.0, False), (120.0, False)]
)
def test_scans_too_slow_for_the_case_tell_nothing(interval_s, tells):
    """A tenth of the case's time scale, some 130 s, has to hold four scans."""
    prototype = Prototype(
        NODES, R_K_PER_W, C_J_PER_K, sensors={n: Sensor(noise_K=0.02) for n in NODES}
    )
    run = record(prototype, 5.0, np.random.default_rng(0), interval_s=interval_s)
    signals = prepare(run)
    assert signals.nodes[-1] == "ambient"
    assert (slow_share(signals, signals.nodes) is not None) is tells


def test_a_case_that_warms_by_half_a_kelvin_tells_too():
    """0.1 W over 6 K/W, sensors without noise: the shares of the stored heat all the same."""
    prototype = Prototype(NODES, R_K_PER_W, C_J_PER_K, sensors={n: Sensor() for n in NODES})
    signals = prepare(record(prototype, 0.1, np.random.default_rng(0), interval_s=5.0))
    found = slow_share(signals, signals.nodes)
    stored = np.cumsum(C_J_PER_K)[1:4] / sum(C_J_PER_K)
    expected = np.array(R_K_PER_W[1:4]) * stored / R_K_PER_W[-1]
    assert found.share[:3] == pytest.approx(expected, abs=0.005)
