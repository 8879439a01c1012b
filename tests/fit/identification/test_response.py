"""Identification on made records with a known network."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fit.errors import NotIdentifiable
from fit.identification.identify import identify
from fit.records.run import Array, Event, Run
from tests.support.made import run_metadata

TAU_S = np.array([6.0, 45.0, 400.0])
A_K_PER_W = np.array([[2.0, 1.0, 5.0], [-0.3, 0.9, 4.8]])


def steps(t_s: Array, times_s: list[float], levels: list[float]) -> Array:
    """Power held from each sample [W]."""
    power = np.zeros(len(t_s))
    for time, level in zip(times_s, levels, strict=True):
        power[t_s >= time] = level
    return power


def made_run(
    noise_K: float = 0.02,
    t_s: Array | None = None,
    edges: tuple[list[float], list[float]] = ([120.0], [4.0]),
    seed: int = 1,
) -> Run:
    """Two nodes and ambient, exact responses to power steps at the given times."""
    random = np.random.default_rng(seed)
    t_s = np.arange(0.0, 2400.0) if t_s is None else t_s
    times, levels = edges
    rise = np.zeros((len(t_s), 2))
    before = 0.0
    for time, level in zip(times, levels, strict=True):
        age = np.maximum(t_s - time, 0.0)[:, None]
        rise += (level - before) * (1 - np.exp(-age / TAU_S)) @ A_K_PER_W.T
        before = level
    ambient = np.full(len(t_s), 23.0)
    readings = np.column_stack([23.0 + rise, ambient]) + np.array([0.7, -0.4, 0.2])
    readings = readings + noise_K * random.standard_normal(readings.shape)
    return Run(
        Path("made"), "made", ("tab", "case", "ambient"), t_s, readings, steps(t_s, times, levels)
    )


def holds(run: Run, within: float = 0.01) -> None:
    """The totals are right within a share, and inside three standard uncertainties."""
    response = identify(run)
    true = A_K_PER_W.sum(axis=1)
    assert response.total_K_per_W == pytest.approx(true, rel=within)
    assert np.all(np.abs(response.total_K_per_W - true) < 3.5 * response.total_u_K_per_W)


def test_time_constants_and_resistances_of_a_step() -> None:
    response = identify(made_run())
    assert response.tau_s == pytest.approx(TAU_S, rel=0.05)
    assert response.resistance_K_per_W == pytest.approx(A_K_PER_W, abs=0.15)
    assert response.foster_node == "tab"


def test_nothing_depends_on_the_channels_offsets() -> None:
    run = made_run()
    moved = replace(run, temperature_degC=run.temperature_degC + np.array([3.0, -2.0, 1.0]))
    assert identify(moved).total_K_per_W == pytest.approx(identify(run).total_K_per_W, rel=1e-6)


def test_several_levels_and_cooling_are_fitted_together() -> None:
    holds(made_run(edges=([100.0, 800.0, 1500.0], [4.0, 1.5, 0.0])))


def test_uneven_sampling_with_gaps() -> None:
    random = np.random.default_rng(3)
    t_s = np.cumsum(random.uniform(0.3, 2.0, 2200))
    t_s = t_s[(t_s < 700) | (t_s > 780)]
    holds(made_run(t_s=t_s))


def test_missing_cells_cost_only_themselves() -> None:
    run = made_run()
    readings = run.temperature_degC.copy()
    readings[np.random.default_rng(1).random(readings.shape) < 0.2] = np.nan
    holds(replace(run, temperature_degC=readings))


def test_single_spikes_are_left_out_and_said() -> None:
    run = made_run()
    readings = run.temperature_degC.copy()
    readings[[400, 900, 1500], 0] += [15.0, -12.0, 9.0]
    spiked = replace(run, temperature_degC=readings)
    holds(spiked)
    assert any("3 spikes of tab" in text for text in identify(spiked).signals.left_out)


def test_one_kelvin_steps() -> None:
    run = made_run(noise_K=0.2)
    holds(replace(run, temperature_degC=np.round(run.temperature_degC)), within=0.02)


def test_repeated_time_stamps_are_left_out() -> None:
    run = made_run()
    t_s = run.t_s.copy()
    t_s[500:503] = t_s[499]
    repeated = replace(run, t_s=t_s)
    holds(repeated)
    assert any("3 scans" in text for text in identify(repeated).signals.left_out)


def test_the_power_edge_may_lie_anywhere_in_its_scan() -> None:
    run = made_run(edges=([117.5], [4.0]), t_s=np.arange(0.0, 2400.0, 5.0))
    assert identify(run).tau_s[0] == pytest.approx(TAU_S[0], rel=0.15)


def test_an_event_places_the_edge() -> None:
    run = made_run(edges=([117.5], [4.0]), t_s=np.arange(0.0, 2400.0, 5.0))
    marked = replace(run, events=(Event(117.5, "power_on"),))
    assert identify(marked).tau_s[0] == pytest.approx(TAU_S[0], rel=0.05)


def test_a_record_that_begins_at_the_power_step() -> None:
    run = made_run(edges=([0.0], [4.0]))
    response = identify(run)
    assert response.total_K_per_W == pytest.approx(A_K_PER_W.sum(axis=1), rel=0.02)
    assert any("no zero-power soak" in text for text in response.warnings)


def test_cooling_alone_gives_time_constants_and_no_resistance() -> None:
    t_s = np.arange(0.0, 2400.0)
    readings = (23.0 + 40 * np.exp(-t_s / 400.0) + 5 * np.exp(-t_s / 30.0))[:, None]
    readings = readings + 0.02 * np.random.default_rng(1).standard_normal(readings.shape)
    response = identify(Run(Path("made"), "made", ("case",), t_s, readings, 0 * t_s))
    assert response.tau_s == pytest.approx([30.0, 400.0], rel=0.02)
    assert not response.total_K_per_W.any()
    assert any("no power" in text for text in response.warnings)


def test_a_record_without_power_is_told_of_no_soak_and_no_totals() -> None:
    run = made_run(t_s=np.arange(0.0, 600.0))
    warnings = " ".join(identify(replace(run, power=0 * run.t_s)).warnings)
    assert "no power was on" in warnings
    assert "has settled" in warnings
    assert "soak" not in warnings
    assert "totals" not in warnings


def test_a_record_too_short_to_settle_says_so() -> None:
    response = identify(made_run(t_s=np.arange(0.0, 400.0)))
    assert not response.settled
    assert any("extrapolated" in text for text in response.warnings)


def test_residual_and_fit_are_on_the_records_own_samples() -> None:
    run = made_run()
    response = identify(run)
    assert response.residual_K.shape == (len(run.t_s), 2)
    assert response.residual_rms_K == pytest.approx(0.02 * np.sqrt(2), rel=0.1)


def test_the_fit_on_the_samples_is_worked_out_once_when_it_is_asked_for() -> None:
    response = identify(made_run())
    asked: list[int] = []

    def curves() -> tuple[Array, Array]:
        asked.append(1)
        return response.curves()

    watched = replace(response, curves=curves)
    assert not asked
    measured = watched.fitted_K + watched.residual_K
    rises = response.signals.temperature_degC[:, :2] - response.signals.temperature_degC[:, [2]]
    assert measured == pytest.approx(rises)
    assert len(asked) == 1


def test_an_unknown_reference_is_refused_by_name() -> None:
    with pytest.raises(NotIdentifiable, match=r"^made: reference 'lid'"):
        identify(made_run(), reference="lid")


def test_stated_channel_and_power_uncertainty_is_carried() -> None:
    run = made_run()
    rig = {"channel": [{"node": "tab", "match_u": 0.01}], "power": {"u_relative": 0.02}}
    stated = identify(replace(run, metadata=run_metadata({"rig": rig})))
    total = stated.total_K_per_W
    assert stated.covariance["power"] == pytest.approx(4e-4 * np.outer(total, total))
    rise = 4 * A_K_PER_W.sum(axis=1)[0] / 4
    assert np.sqrt(stated.covariance["sensor_match"][0, 0]) == pytest.approx(0.01 * rise, rel=0.02)
