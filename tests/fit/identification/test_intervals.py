"""Intervals by profile and by bootstrap: they hold the truth, and agree where they must."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import lfilter

from fit.identification.identify import Identification, identify_signals
from fit.identification.intervals import bootstrap_intervals, profile_intervals
from fit.output.documents import linear_intervals
from fit.records.run import Run
from fit.signals.preparation import prepare

TAU_S, R_K_PER_W = 120.0, 5.0


def one_stage(seed: int, correlation: float = 0.0, seconds: int = 900) -> Run:
    """One node above ambient, stepped at 60 s, with noise that correlated (invented)."""
    random = np.random.default_rng(seed)
    t_s = np.arange(float(seconds))
    power = np.where(t_s >= 60, 4.0, 0.0)
    rise = 4.0 * R_K_PER_W * (1 - np.exp(-np.maximum(t_s - 60, 0) / TAU_S))
    white = random.normal(0, 0.3, (seconds, 2))
    noise = lfilter([np.sqrt(1 - correlation**2)], [1, -correlation], white, axis=0)
    readings = np.column_stack([25 + rise, np.full(seconds, 25.0)]) + noise
    return Run(Path("made"), "made", ("case", "ambient"), t_s, readings, power)


def identified(run: Run, order: int) -> Identification:
    return identify_signals(prepare(run), order=order)


@pytest.fixture(scope="module")
def found() -> Identification:
    return identified(one_stage(1), order=1)


def test_profile_agrees_with_linear_where_the_problem_is_nearly_linear(
    found: Identification,
) -> None:
    profile, linear = profile_intervals(found), linear_intervals(found.response)
    assert np.log(profile / TAU_S) == pytest.approx(np.log(linear / TAU_S), abs=0.012)


def test_bootstrap_agrees_with_linear_on_white_noise_above_a_quiet_reference() -> None:
    """A noisy one is smoothed, and linear intervals still count its noise in every scan."""
    run = one_stage(1)
    quiet = run.temperature_degC * [1.0, 0.1] + [0.0, 22.5]
    found = identified(replace(run, temperature_degC=quiet), order=1)
    bootstrap, linear = bootstrap_intervals(found)[0], linear_intervals(found.response)[0]
    assert np.ptp(bootstrap) == pytest.approx(np.ptp(linear), rel=0.35)
    assert bootstrap[0] < found.response.tau_s[0] < bootstrap[1]


def test_bootstrap_is_as_wide_as_the_scatter_of_many_records(found: Identification) -> None:
    many = [identified(one_stage(seed), order=1).response.tau_s[0] for seed in range(2, 42)]
    assert np.ptp(bootstrap_intervals(found)[0]) == pytest.approx(3.92 * np.std(many), rel=0.35)


def test_profile_intervals_hold_the_truth_as_often_as_they_say() -> None:
    """95 % of records with correlated noise; at least 9 of 12 but for 1 in 400."""
    held = 0
    for seed in range(12):
        low, high = profile_intervals(identified(one_stage(seed, correlation=0.6), order=1))[0]
        held += low < TAU_S < high
    assert held >= 9


def test_a_wider_level_gives_a_wider_interval(found: Identification) -> None:
    low, high = profile_intervals(found)[0]
    lower, higher = profile_intervals(found, level=0.99)[0]
    assert lower < low < high < higher


@pytest.mark.filterwarnings("ignore::UserWarning")  # lmfit's, of the open end
def test_a_profile_that_the_record_does_not_close_is_open() -> None:
    """A second time constant that is not there cannot be held on both sides."""
    intervals = profile_intervals(identified(one_stage(2), order=2))
    ratio = intervals[:, 1] / np.maximum(intervals[:, 0], 1e-12)
    assert ratio.max() > 5
