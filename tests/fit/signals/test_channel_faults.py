"""Channels that measure nothing are found, and channels that are merely still are not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fit.errors import NotIdentifiable
from fit.records.run import Run
from fit.signals.channel_faults import longest_repeat
from fit.signals.preparation import prepare

NODES = ("tab", "bar", "case", "ambient")
SOAK_S, HEAT_S = 60, 900


def heat_run(noise_K: float = 0.03, step_K: float = 0.0, rise: float = 1.0) -> Run:
    """A made run: tab, bar and case rise in that order, the room hardly."""
    t_s = np.arange(float(SOAK_S + HEAT_S))
    on = t_s >= SOAK_S
    age = np.maximum(t_s - SOAK_S, 0.0)
    case = rise * 15 * (1 - np.exp(-age / 700))
    bar = case + 4 * (1 - np.exp(-age / 40))
    tab = bar + 12 * (1 - np.exp(-age / 8))
    room = 0.2 * np.sin(t_s / 300)
    readings = 23 + np.column_stack((tab, bar, case, room))
    readings += np.random.default_rng(1).normal(0, noise_K, readings.shape)
    if step_K:
        readings = np.round(readings / step_K) * step_K
    return Run(Path("made"), "made", NODES, t_s, readings, np.where(on, 4.0, 0.0))


def falsified(node: str, rows: slice, value: float | None) -> Run:
    """The made run with a stretch of one channel that repeats a value, its first by default."""
    run = heat_run()
    column = run.temperature_degC[:, NODES.index(node)]
    column[rows] = column[rows][0] if value is None else value
    return run


def faults_of(run: Run) -> list[tuple[str, str]]:
    return [(fault.node, fault.kind) for fault in prepare(run).faults]


@pytest.mark.parametrize("rise", [1.0, 5.0])
@pytest.mark.parametrize("step_K", [0.0, 1 / 16, 0.25, 1.0])
@pytest.mark.parametrize("noise_K", [0.005, 0.05])
def test_no_working_channel_is_accused(noise_K, step_K, rise):
    assert faults_of(heat_run(noise_K, step_K, rise=rise)) == []


@pytest.mark.parametrize("node", NODES)
@pytest.mark.parametrize("value", [None, 0.0, -200.0, 850.0])
def test_a_channel_that_repeats_one_value_is_stuck(node, value):
    assert faults_of(falsified(node, slice(None), value)) == [(node, "stuck")]


@pytest.mark.parametrize("node", NODES)
def test_a_channel_that_freezes_in_mid_run_is_stuck(node):
    assert faults_of(falsified(node, slice(SOAK_S + 100, None), None)) == [(node, "stuck")]


def test_a_room_that_never_changes_for_a_quarter_of_an_hour_is_stuck_however_coarse_the_noise():
    run = heat_run(0.01, 1 / 16)
    run.temperature_degC[:, 3] = 23.0
    assert faults_of(run) == [("ambient", "stuck")]


def test_a_room_that_stays_within_a_coarse_step_is_not_stuck():
    run = heat_run(0.01, 1.0)
    run.temperature_degC[:, 3] = 23.0
    assert faults_of(run) == []


@pytest.mark.parametrize("value", [0.0, -200.0, 850.0])
@pytest.mark.parametrize("node", ["bar", "case"])
def test_a_channel_that_ends_at_an_impossible_value_is_stuck_however_late(node, value):
    late = slice(SOAK_S + HEAT_S - 20, None)
    assert faults_of(falsified(node, late, value)) == [(node, "stuck")]


def test_a_short_dropout_is_no_stuck_channel():
    assert faults_of(falsified("bar", slice(300, 330), None)) == []


def test_a_channel_that_is_never_read_is_named():
    assert faults_of(falsified("bar", slice(None), np.nan)) == [("bar", "unread")]


def test_a_channel_without_a_reading_at_zero_power_is_named():
    assert faults_of(falsified("bar", slice(0, SOAK_S), np.nan)) == [("bar", "unread")]


def test_a_channel_without_a_reading_under_power_is_named():
    assert faults_of(falsified("case", slice(SOAK_S, None), np.nan)) == [("case", "unread")]


def test_two_columns_with_the_same_numbers_are_both_named():
    run = heat_run()
    run.temperature_degC[:, 1] = run.temperature_degC[:, 2]
    assert faults_of(run) == [("bar", "copied"), ("case", "copied")]


def test_a_room_that_rises_as_the_case_should_is_named_with_it():
    run = heat_run()
    run.temperature_degC[:, [2, 3]] = run.temperature_degC[:, [3, 2]]
    assert faults_of(run) == [("case", "swapped"), ("ambient", "swapped")]


def test_a_record_without_one_working_node_is_refused():
    run = falsified("tab", slice(None), 850.0)
    run.temperature_degC[:, 1:3] = np.nan
    with pytest.raises(NotIdentifiable, match="'bar' was never read"):
        prepare(run)


@given(st.lists(st.integers(0, 3), min_size=1, max_size=40))
def test_the_longest_repeat_is_one_and_no_other_is_longer(values):
    first, last = longest_repeat(np.array(values, dtype=float))
    assert len(set(values[first : last + 1])) == 1
    longest = max(
        j - i + 1
        for i in range(len(values))
        for j in range(i, len(values))
        if len(set(values[i : j + 1])) == 1
    )
    assert last - first + 1 == longest


def test_missing_readings_do_not_end_a_repeat():
    assert longest_repeat(np.array([1.0, 2.0, np.nan, 2.0, 3.0])) == (1, 3)


def test_one_scan_of_an_impossible_power_is_left_out_and_said():
    run = heat_run()
    run.power[300] = 48.0
    signals = prepare(run)
    assert signals.power[300] == 4.0
    assert signals.left_out == ("1 spike of the power: 48 at 300 s; the one before held",)


def test_a_supply_that_comes_up_slowly_keeps_its_soak():
    run = heat_run()
    age = np.maximum(run.t_s - SOAK_S, 0.0)
    signals = prepare(Run(run.path, "made", NODES, run.t_s, run.temperature_degC,
                          4.0 * np.minimum(age / 120, 1.0)))  # fmt: skip
    assert signals.soak_samples == SOAK_S + 2
    assert np.isfinite(signals.zero_power_offset_K).all()


def test_power_on_for_two_scans_is_refused():
    run = heat_run()
    run.power[SOAK_S + 2 :] = 0.0
    with pytest.raises(NotIdentifiable, match="the power is on in 2 scans only"):
        prepare(run)
