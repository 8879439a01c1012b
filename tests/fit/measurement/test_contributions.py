"""What each source of uncertainty contributes to the spans, against the law of propagation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fit.measurement.spans import Spans, measure
from fit.signals.preparation import prepare
from tests.fit.measurement.test_spans import NODES, POWER_W, heat_run
from tests.support.made import run_metadata

MATCH_U = {"tab": 0.01, "board_back": 0.02, "bar": 0.0, "case": 0.03, "ambient": 0.0}
POWER_U = 0.04


@pytest.fixture(scope="module")
def spans() -> Spans:
    """A long run of a rig that states how well its channels match, and its power.

    Taken for a field, for whose spans the law of propagation holds: a ladder learns more.
    """
    channels = [{"node": node, "match_u": u} for node, u in MATCH_U.items()]
    rig = {"channel": channels, "power": {"u_relative": POWER_U}}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("fit.measurement.spans.adequate_ladder", lambda *_: None)
        return measure(replace(heat_run(1800), metadata=run_metadata({"rig": rig})))


@pytest.fixture(scope="module")
def reading_u() -> np.ndarray:
    """Of each node per watt [K/W]: its channel's match times the rise it has shown."""
    readings = heat_run(1800).temperature_degC
    reached = readings[-100:].mean(axis=0) - readings[:100].mean(axis=0)
    return np.array([MATCH_U[node] for node in NODES]) * reached / POWER_W


def test_the_contributions_are_named(spans: Spans) -> None:
    assert set(spans.covariance) == {"fit", "discrepancy", "offset", "sensor_match", "power"}


def test_the_total_is_the_sum_of_the_contributions(spans: Spans) -> None:
    total = np.zeros((4, 4))
    for contribution in spans.covariance.values():
        total += contribution
    assert spans.total_covariance == pytest.approx(total)


def test_a_span_has_the_match_of_both_its_channels(spans: Spans, reading_u: np.ndarray) -> None:
    """R = (T_j - T_j+1) / P: u^2 = u_j^2 + u_j+1^2 (JCGM 100, 5.1.2). The rises are noisy, too."""
    expected = np.hypot(reading_u[:-1], reading_u[1:])
    assert np.sqrt(np.diag(spans.covariance["sensor_match"])) == pytest.approx(expected, rel=0.05)


def test_neighbours_share_the_channel_between_them_with_opposite_signs(
    spans: Spans, reading_u: np.ndarray
) -> None:
    match = spans.covariance["sensor_match"]
    assert match[0, 1] == pytest.approx(-(reading_u[1] ** 2), rel=0.05)
    assert match[1, 2] == pytest.approx(0.0, abs=1e-9)
    assert match[0, 2] == pytest.approx(0.0, abs=1e-9)


def test_the_powers_error_is_in_proportion_to_every_span(spans: Spans) -> None:
    u = np.sqrt(np.diag(spans.covariance["power"]))
    assert u == pytest.approx(POWER_U * spans.R_K_per_W, rel=0.1)


def test_the_powers_error_is_one_and_the_same_in_all_spans(spans: Spans) -> None:
    power = spans.covariance["power"]
    u = np.sqrt(np.diag(power))
    assert power == pytest.approx(np.outer(u, u))


def test_nothing_stated_contributes_nothing() -> None:
    covariance = measure(heat_run(600)).covariance
    assert not covariance["sensor_match"].any()
    assert not covariance["power"].any()


def test_final_temperatures_are_the_drops_added_up_from_what_ambient_came_to(
    spans: Spans,
) -> None:
    """Ambient at the end: the mean of the last fiftieth of the scans, 38 of 1920."""
    end_degC = prepare(heat_run(1800)).temperature_degC[-38:, -1].mean()
    drops = POWER_W * spans.R_K_per_W
    expected = [end_degC + drops[i:].sum() for i in range(5)]
    assert spans.final_degC == pytest.approx(expected)
