"""A junction by its forward voltage: made parts whose truth is known (tests.support)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fit.errors import NotIdentifiable
from fit.measurement.junction import Junction, _last_heating, measure_junction
from fit.measurement.spans import measure
from fit.records.metadata import RunMetadata
from fit.records.run import Run
from fit.signals.preparation import prepare
from tests.support.made_junctions import Part, Reading, draw_part, lump, made_run, voltage

QUIET = Reading(noise_V=2e-5, step_V=0.0, noise_K=0.01, step_K=0.0)


def measured(run: Run) -> Junction:
    found = measure_junction(run, prepare(run))
    assert found is not None
    return found


def made(part: Part, reading: Reading = QUIET, seed: int = 1) -> Run:
    return made_run(part, reading, np.random.default_rng(seed))


@pytest.fixture(scope="module")
def part() -> Part:
    return draw_part(np.random.default_rng(5))


@pytest.mark.parametrize("seed", range(4))
def test_the_stated_interval_holds_the_truth(seed: int) -> None:
    one = draw_part(np.random.default_rng(100 + seed))
    found = measured(made(one, Reading(), seed))
    assert abs(found.R_K_per_W - one.total_K_per_W) < 2.5 * found.u_K_per_W
    assert found.u_K_per_W < 0.06 * one.total_K_per_W


def test_the_gain_of_the_tabs_thermocouple_cancels(part: Part) -> None:
    exact = measured(made(part))
    off = measured(made(part, replace(QUIET, gain=0.05, offset_K=3.0)))
    # 5 % of the tab's rise are 1.8 K, of the drop it is 5 %.
    assert off.R_K_per_W / exact.R_K_per_W == pytest.approx(1.05, abs=0.01)


def test_the_slope_is_found_in_millivolts_per_kelvin(part: Part) -> None:
    found = measured(made(part, replace(QUIET, K_V_per_K=1.8e-3)))
    # At 300 K; some 0.4 % more in the middle of the cool-down, by the curvature.
    assert found.calibration.K_mV_per_K == pytest.approx(1.8, rel=0.01)


def test_a_lag_that_is_stated_narrows_the_calibration(part: Part) -> None:
    run = made(part, replace(QUIET, cool_s=300.0, noise_K=0.08))
    known = replace(run.metadata, lags={"tab": (1.5, 0.05)})
    found, told = measured(run), measured(replace(run, metadata=known))
    lag = 3
    assert told.calibration.covariance[lag, lag] < found.calibration.covariance[lag, lag]


def test_stated_points_stand_in_for_the_cool_down(part: Part) -> None:
    reading = replace(QUIET, cool_s=0.0)
    degC = np.array([25.0, 60.0, 95.0])
    points = tuple(zip(degC.tolist(), voltage(reading, degC).tolist(), strict=True))
    run = made(part, reading)
    found = measured(replace(run, metadata=replace(run.metadata, vf_points=points)))
    assert not found.calibration.of_its_own
    assert abs(found.R_K_per_W - part.total_K_per_W) < 2 * found.u_K_per_W
    # The tab's own gain no longer cancels: 0.4 % of its whole rise.
    whole_K_per_W = np.ptp(run.temperature_degC[:, 0]) / run.power.max()
    assert np.sqrt(found.covariance["sensor_match"]) == pytest.approx(
        0.004 * whole_K_per_W, rel=0.02
    )


def test_without_a_cool_down_or_points_it_is_refused(part: Part) -> None:
    with pytest.raises(NotIdentifiable, match="cool_s"):
        measured(made(part, replace(QUIET, cool_s=0.0)))


@pytest.mark.parametrize("first_s", [0.02, 0.0167])
def test_a_slow_meter_calibrates_and_does_not_measure(part: Part, first_s: float) -> None:
    slow = replace(QUIET, first_s=first_s, window_s=0.2, apart_s=0.02)
    with pytest.raises(NotIdentifiable, match="calibrates and does not measure"):
        measured(made(part, slow))


def test_a_first_reading_later_than_a_fifth_of_the_time_constant_is_refused() -> None:
    late = replace(QUIET, first_s=2e-3, window_s=10e-3)
    with pytest.raises(NotIdentifiable, match="cooled too far"):
        measured(made(lump(2.0, 5e-3), late))


def test_between_a_25th_and_a_fifth_the_methods_error_is_said() -> None:
    run = made(lump(2.0, 20e-3), replace(QUIET, first_s=2e-3, window_s=20e-3))
    spans = measure(run)
    assert spans.junction is not None
    assert spans.junction.is_late
    assert any("late for a junction" in one for one in spans.warnings)
    assert abs(spans.junction.R_K_per_W - 2.0) < 2 * spans.junction.u_K_per_W


def test_an_early_reading_says_nothing_of_it() -> None:
    spans = measure(made(lump(2.0, 50e-3), replace(QUIET, first_s=1e-4)))
    assert not any("late for a junction" in one for one in spans.warnings)


def test_the_junction_is_the_first_span(part: Part) -> None:
    spans = measure(made(part))
    assert spans.nodes == ("junction", "tab", "case", "ambient")
    assert spans.junction is not None
    assert spans.R_K_per_W[0] == spans.junction.R_K_per_W
    assert spans.resolved[0]
    for covariance in spans.covariance.values():
        assert np.linalg.eigvalsh(covariance).min() > -1e-9


def test_what_windows_do_not_tell_is_said_and_the_rest_is_measured(part: Part) -> None:
    spans = measure(made(part, replace(QUIET, cool_s=0.0)))
    assert spans.nodes == ("tab", "case", "ambient")
    assert any("'junction' is not measured by its forward voltage" in s for s in spans.warnings)


def test_a_voltage_that_rises_with_temperature_is_no_junctions(part: Part) -> None:
    run = made(part)
    assert run.vf_windows is not None
    turned = replace(run.vf_windows, volts=-run.vf_windows.volts)
    with pytest.raises(NotIdentifiable, match="mV/K"):
        measured(replace(run, vf_windows=turned))


def test_a_junction_colder_than_its_tab_is_another_part(part: Part) -> None:
    unheated = Part(-part.R_K_per_W, part.tau_s)
    with pytest.raises(NotIdentifiable, match="colder"):
        measured(made(unheated))


def test_no_windows_no_junction(part: Part) -> None:
    run = replace(made(part), vf_windows=None, metadata=RunMetadata())
    assert measure_junction(run, prepare(run)) is None


ON, OFF, UNKNOWN = 1.0, 0.0, np.nan


@pytest.mark.parametrize(
    ("heated", "last"),
    [
        ([OFF, ON, ON, OFF, ON, ON, ON, OFF], [4, 5, 6]),
        ([OFF, ON, ON, OFF, OFF, ON], [5]),
        ([OFF, ON, UNKNOWN, ON, UNKNOWN, OFF], [1, 3]),
        ([ON, ON, OFF], [0, 1]),
        ([OFF, UNKNOWN, OFF], []),
    ],
)
def test_windows_of_the_last_heating_are_averaged(heated: list[float], last: list[int]) -> None:
    assert _last_heating(np.array(heated)).tolist() == last


def test_no_more_than_the_last_sixty_windows_of_a_heating_are_averaged() -> None:
    assert _last_heating(np.ones(100)).tolist() == list(range(40, 100))
