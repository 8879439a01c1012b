"""Cleaning of a record: offsets, spikes, placeholders, steps."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fit.errors import NotIdentifiable
from fit.records.run import Event, Run
from fit.signals.preparation import edges, placeholders, prepare
from fit.signals.scatter import noise, quantum
from fit.signals.spikes import spikes

RANDOM = np.random.default_rng(5)


def soaked(n: int = 600, soak: int = 120) -> Run:
    t_s = np.arange(float(n))
    power = np.where(t_s >= soak, 3.0, 0.0)
    rise = 10 * (1 - np.exp(-np.maximum(t_s - soak, 0) / 90))
    readings = np.column_stack([24 + rise, 23 + 0.2 * rise])
    readings = readings + 0.02 * RANDOM.standard_normal(readings.shape)
    return Run(Path("made"), "made", ("tab", "case"), t_s, readings, power)


def test_the_soak_gives_the_channels_offsets_with_their_uncertainty() -> None:
    signals = prepare(soaked())
    assert signals.zero_power_offset_K == pytest.approx([0.5, -0.5], abs=0.01)
    assert np.all((signals.zero_power_offset_u_K > 0.001) & (signals.zero_power_offset_u_K < 0.01))


def test_without_a_soak_the_offsets_are_unknown_and_it_is_said() -> None:
    run = soaked()
    signals = prepare(replace(run, power=np.full(len(run.t_s), 3.0)))
    assert np.isnan(signals.zero_power_offset_K).all()
    assert any("no zero-power soak" in text for text in signals.warnings)


def test_an_event_between_two_scans_gives_the_time_of_the_step() -> None:
    run = replace(soaked(), events=(Event(119.4, "power_on"),))
    assert prepare(run).power_edges_s == (119.4,)


def test_spikes_are_found_and_a_step_is_not_one() -> None:
    series = np.where(np.arange(400) < 200, 20.0, 45.0) + 0.05 * RANDOM.standard_normal(400)
    series[[50, 300]] += [8.0, -9.0]
    assert list(spikes(series, 0.0)) == [50, 300]


def test_placeholder_scans_are_those_all_channels_share_and_never_show_again() -> None:
    readings = 22 + RANDOM.standard_normal((300, 3))
    readings[:2] = 23.0
    assert placeholders(readings) == 2
    assert placeholders(readings[2:]) == 0


def test_the_step_of_the_readings_is_found() -> None:
    smooth = np.linspace(20, 30, 2000)
    assert quantum(np.round(smooth * 16) / 16) == pytest.approx(1 / 16)
    assert quantum(smooth + 0.01 * RANDOM.standard_normal(2000)) == 0.0


def test_the_step_of_a_long_record_is_found_too() -> None:
    smooth = 20 + 10 * (1 - np.exp(-np.arange(60_000) / 9000))
    noisy = smooth + 0.02 * RANDOM.standard_normal(60_000)
    assert quantum(np.round(noisy * 16) / 16) == pytest.approx(1 / 16)
    assert quantum(noisy) == 0.0


def test_missing_readings_are_no_spikes_and_hide_none() -> None:
    series = 20.0 + 0.05 * RANDOM.standard_normal(40_000)
    series[[100, 101, 20_000]] = np.nan
    series[[103, 30_000]] += 4.0
    assert list(spikes(series, 0.0)) == [103, 30_000]


def test_noise_does_not_see_the_trend() -> None:
    series = np.linspace(0, 50, 3000) + 0.1 * RANDOM.standard_normal(3000)
    assert noise(series) == pytest.approx(0.1, rel=0.1)


def test_ripple_is_no_step() -> None:
    power = np.where(np.arange(500) < 100, 0.0, 4.0) + 0.05 * RANDOM.standard_normal(500)
    assert list(edges(power)) == [100]


def test_too_few_scans_are_refused() -> None:
    with pytest.raises(NotIdentifiable, match="at least 8"):
        prepare(soaked(5, 3))
