"""How many time constants the data carries."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import lfilter

from fit.identification.identify import identify, identify_signals
from fit.records.run import Run
from fit.signals.preparation import prepare


def made(tau_s: list[float], share: list[float], correlation: float, seed: int) -> Run:
    """One node above ambient, a step of 1 W at 60 s, noise of 0.05 K correlated scan to scan."""
    random = np.random.default_rng(seed)
    t_s = np.arange(0.0, 1800.0)
    age = np.maximum(t_s - 60, 0)[:, None]
    rise = (20 * np.array(share) * (1 - np.exp(-age / np.array(tau_s)))).sum(axis=1)
    white = 0.05 * np.sqrt(1 - correlation**2) * random.standard_normal((len(t_s), 2))
    error = lfilter([1.0], [1.0, -correlation], white, axis=0)
    readings = np.column_stack([25 + rise, np.full(len(t_s), 25.0)]) + error
    return Run(
        Path("made"), "made", ("tab", "ambient"), t_s, readings, np.where(t_s < 60, 0.0, 1.0)
    )


@pytest.mark.parametrize("tau_s", [[60.0], [10.0, 200.0], [5.0, 40.0, 300.0]])
def test_the_order_of_the_truth_is_found(tau_s: list[float]) -> None:
    run = made(tau_s, [1 / len(tau_s)] * len(tau_s), 0.0, 3)
    assert identify(run).tau_s == pytest.approx(tau_s, rel=0.1)


def test_correlated_noise_seldom_adds_a_term() -> None:
    extra = sum(len(identify(made([80.0], [1.0], 0.9, seed)).tau_s) > 1 for seed in range(20))
    assert extra <= 3


def test_twins_are_not_resolved_into_two() -> None:
    response = identify(made([100.0, 115.0], [0.5, 0.5], 0.0, 2))
    assert response.tau_s == pytest.approx([107.0], rel=0.05)


def test_a_slow_drift_is_no_time_constant_longer_than_the_record() -> None:
    run = made([5.0, 40.0, 300.0], [0.3, 0.3, 0.4], 0.0, 4)
    drift = np.outer(0.25 * (run.t_s / run.t_s[-1]) ** 2, [1.0, 0.0])
    drifting = replace(run, temperature_degC=run.temperature_degC + drift)
    response = identify(drifting)
    assert response.tau_s.max() < run.t_s[-1]
    assert (response.tau_s[1:] > 2 * response.tau_s[:-1]).all()
    assert response.tau_s[:2] == pytest.approx([5.0, 40.0], rel=0.15)


def test_a_fit_starts_from_that_of_a_shorter_record() -> None:
    run = made([5.0, 40.0, 300.0], [0.3, 0.3, 0.4], 0.0, 4)
    part = slice(0, 1200)
    shorter = replace(
        run, t_s=run.t_s[part], temperature_degC=run.temperature_degC[part], power=run.power[part]
    )
    near = identify_signals(prepare(shorter)).fitted
    again = identify_signals(prepare(run), near=near).response
    assert again.tau_s == pytest.approx(identify(run).tau_s, rel=1e-3)
