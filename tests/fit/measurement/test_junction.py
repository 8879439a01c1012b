"""A junction by its forward voltage: made parts whose truth is known (tests.support)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from fit.errors import NotIdentifiable
from fit.measurement.junction import (
    Junction,
    _Beside,
    _beside,
    _last_heating,
    _settled,
    _variance_of_mean,
    measure_junction,
)
from fit.measurement.junction_span import junction_alone, without_junction
from fit.measurement.spans import Spans, measure
from fit.records.metadata import RunMetadata
from fit.records.run import Run
from fit.records.vf_windows import VfWindows
from fit.signals.preparation import Signals, prepare
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


@cache
def spans_of_a_part() -> Spans:
    """Of the same part as the fixture's."""
    return measure(made(draw_part(np.random.default_rng(5))))


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


@pytest.mark.parametrize(("first_s", "refused"), [(1e-3, False), (2e-3, True)])
def test_a_tenth_of_the_time_constant_is_early_enough_and_a_quarter_is_not(
    first_s: float, refused: bool
) -> None:
    run = made(lump(2.0, 10e-3), replace(QUIET, first_s=first_s, window_s=30e-3))
    if refused:
        with pytest.raises(NotIdentifiable, match="cooled too far"):
            measured(run)
    else:
        assert not np.isnan(measured(run).R_K_per_W)


@pytest.mark.parametrize(("first_s", "late"), [(0.9e-3, False), (1.1e-3, True)])
def test_beyond_a_25th_of_the_time_constant_a_reading_is_late(first_s: float, late: bool) -> None:
    """Of 25 ms: 1 ms."""
    found = spans_of_a_part().junction
    assert found is not None
    assert replace(found, first_s=first_s, tau_s=25e-3).is_late is late


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


def test_the_junction_is_the_first_span() -> None:
    spans = spans_of_a_part()
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


def beside(
    opened_s: float,
    tab_degC: Callable[[np.ndarray], np.ndarray],
    edges_s: tuple[float, ...] = (100.0, 900.0),
    end_s: float = 1800.0,
    every_s: float = 1.0,
) -> _Beside:
    """Of one window, in a record whose power is on between two edges."""
    t_s = np.arange(0.0, end_s + every_s / 2, every_s)
    signals = Signals(
        t_s=t_s,
        nodes=("case", "tab"),
        temperature_degC=np.column_stack([0 * t_s, tab_degC(t_s)]),
        power=np.where((t_s >= edges_s[0]) & (t_s < edges_s[1]), 4.0, 0.0),
        power_unit="W",
        zero_power_offset_K=np.zeros(2),
        zero_power_offset_u_K=np.zeros(2),
        power_edges_s=edges_s,
        left_out=(),
        warnings=(),
    )
    one = np.ones(1)
    return _beside(VfWindows("junction", opened_s * one, 1e-4 * one, 0.6 * one), signals, "tab")


@pytest.mark.parametrize(("opened_s", "heated"), [(50.3, 0.0), (500.3, 1.0), (1500.3, 0.0)])
def test_a_tab_that_warms_ever_more_slowly_is_read_at_the_window_itself(
    opened_s: float, heated: float
) -> None:
    """A parabola, its derivative by hand."""
    found = beside(opened_s, lambda t: 23.0 + 0.05 * t - 2e-5 * t**2)
    assert found.tab_degC[0] == pytest.approx(23.0 + 0.05 * opened_s - 2e-5 * opened_s**2)
    assert found.tab_slope[0] == pytest.approx(0.05 - 4e-5 * opened_s)
    assert (found.heated[0], found.power[0]) == (heated, 4.0 * heated)


@pytest.mark.parametrize(
    ("opened_s", "half_s"),
    [
        (180.5, 20.0),  # a quarter of the time since the step at 100 s
        (500.5, 60.0),  # no more than a minute
        (865.5, 34.5),  # up to the step at 900 s
        (110.5, 5.0),  # five seconds at least
        (1780.5, 19.5),  # up to the end of the record
    ],
)
def test_the_tab_is_read_from_the_scans_close_to_the_window(opened_s: float, half_s: float) -> None:
    """Whatever it does further away; what it does within is seen."""

    def beyond(far_s: float) -> float:
        return float(
            beside(opened_s, lambda t: np.where(np.abs(t - opened_s) > far_s, 50.0, 23.0)).tab_degC[
                0
            ]
        )

    assert beyond(half_s + 0.1) == pytest.approx(23.0)
    assert beyond(half_s - 1.1) != pytest.approx(23.0, abs=0.01)


def test_slow_scans_are_read_two_and_a_half_to_either_side() -> None:
    """One every 4 s: 10 s, where five seconds hold too few."""
    found = beside(114.0, lambda t: 23.0 + 0.01 * t, every_s=4.0)
    assert found.tab_slope[0] == pytest.approx(0.01)


@pytest.mark.parametrize(
    ("opened_s", "missing"),
    [
        (102.5, (1e4, 1e4)),  # the power changed five seconds before
        (500.5, (0.0, 500.5)),  # nothing was read before it
        (500.5, (500.5, 1e4)),  # nor after it
        (110.5, (106.5, 112.5)),  # four scans are too few for a parabola with a scatter
    ],
)
def test_a_window_whose_tab_is_not_read_on_both_sides_is_not_used(
    opened_s: float, missing: tuple[float, float]
) -> None:
    first, last = missing
    found = beside(opened_s, lambda t: np.where((t > first) & (t < last), np.nan, 23.0))
    assert np.isnan([found.tab_degC[0], found.tab_slope[0], found.heated[0]]).all()


@pytest.mark.parametrize(("opened_s", "settled"), [(99.0, True), (129.0, False), (131.0, True)])
def test_half_a_minute_after_a_step_the_bead_has_followed(opened_s: float, settled: bool) -> None:
    assert _settled(np.array([opened_s]), (100.0,)).tolist() == [settled]


def test_without_a_step_of_the_power_every_window_is_settled() -> None:
    assert _settled(np.array([0.0, 5.0]), ()).tolist() == [True, True]


def test_a_mean_of_like_windows_is_as_sure_as_the_root_of_their_number() -> None:
    """Scatter 0.3 over 400: 0.015 (JCGM 100, 4.2.3)."""
    values = 2.0 + 0.3 * np.random.default_rng(1).standard_normal(400)
    assert np.sqrt(_variance_of_mean(values)) == pytest.approx(0.015, rel=0.15)


def test_a_mean_of_windows_like_their_neighbours_is_less_sure() -> None:
    """Correlated by 0.8 from each to the next: (1 + 0.8)/(1 - 0.8) = 9 in the variance."""
    random = np.random.default_rng(1)
    white = random.standard_normal(2000)
    values = np.zeros(2000)
    for i in range(1, 2000):
        values[i] = 0.8 * values[i - 1] + white[i]
    alone = values.var(ddof=1) / 2000
    assert _variance_of_mean(values) / alone == pytest.approx(9.0, rel=0.2)


def test_power_is_common_to_the_junction_and_all_spans_below() -> None:
    """Each is off by the same half per cent: fully correlated."""
    power = spans_of_a_part().covariance["power"]
    u = np.sqrt(np.diag(power))
    assert power == pytest.approx(np.outer(u, u), rel=1e-6)


def test_the_tabs_gain_is_common_to_the_junction_and_the_span_below(part: Part) -> None:
    """0.4 % of the drop above it, and of its whole rise below: by its own cool-down the junction
    reads high with it."""
    run, spans = made(part), spans_of_a_part()
    match = spans.covariance["sensor_match"]
    whole_K_per_W = np.ptp(run.temperature_degC[:, 0]) / run.power.max()
    expected = 0.004**2 * spans.R_K_per_W[0] * whole_K_per_W
    assert match[0, 1] == match[1, 0] == pytest.approx(expected, rel=0.02)
    assert match[0, 2] == 0.0


def test_a_junction_that_was_measured_says_nothing_of_the_cases_slow_rise() -> None:
    slow = spans_of_a_part().slow_share
    assert slow is not None
    assert slow.covariance[0, 0] > 1e4
    assert (slow.covariance[0, 1:] == 0).all()


def test_the_junctions_temperature_is_the_tabs_with_its_drop_on_top(part: Part) -> None:
    spans = spans_of_a_part()
    assert spans.junction is not None
    drop_K = part.total_K_per_W * 4.2
    assert spans.final_degC[0] - spans.final_degC[1] == pytest.approx(drop_K, rel=0.05)


def test_without_its_junction_a_path_is_the_thermocouples_again() -> None:
    with_it = spans_of_a_part()
    alone = without_junction(with_it)
    assert alone.nodes == ("tab", "case", "ambient")
    assert alone.R_K_per_W.tolist() == with_it.R_K_per_W[1:].tolist()
    assert alone.final_degC.tolist() == with_it.final_degC[1:].tolist()
    assert alone.total_covariance == pytest.approx(with_it.total_covariance[1:, 1:])
    assert alone.slow_share is not None
    assert len(alone.slow_share.share) == 2


def test_the_junction_alone_is_its_own_span() -> None:
    with_it = spans_of_a_part()
    one = junction_alone(with_it)
    assert one.nodes == ("junction", "tab")
    assert one.R_K_per_W.tolist() == with_it.R_K_per_W[:1].tolist()
    assert one.final_degC.tolist() == with_it.final_degC[:2].tolist()
    assert one.total_covariance == pytest.approx(with_it.total_covariance[:1, :1])
