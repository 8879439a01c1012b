"""Fisher information of a planned record against general least squares on the same data."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import curve_fit

from fit.planning.bench import Bench
from fit.planning.information import information
from fit.planning.network import Lumped, simulated

R, C = np.array([4.0, 1.5]), np.array([3.0, 20.0])
NOISE_K, POWER_W, HEAT_S = 0.05, 4.0, 120.0
NODES = ("tab", "bar", "case")
BENCH = Bench(NODES, interval_s=1.0, soak_s=60.0, noise_K=NOISE_K, step_K=0.0)
KNOWN = dict.fromkeys(NODES, (0.02, 0.0))


def planned(lag_s=KNOWN, heat_s=HEAT_S, **changed):
    network = Lumped(NODES, NODES, changed.get("R", R), C)
    signals, scans = simulated(network, BENCH, changed.get("power", POWER_W), HEAT_S)
    return information(
        network,
        signals,
        scans,
        reference="case",
        noise_K=BENCH.reading_u_K,
        lag_s=lag_s,
        match_u=changed.get("match_u", {}),
    ).covariance(heat_s)


def rise_K(t_s, *parameters):
    """Two lumps above a constant reference by eigenvalues of C^-1 G, and an offset each."""
    one, two = np.exp(parameters[:2])
    G = np.array([[1 / one, -1 / one], [-1 / one, 1 / one + 1 / two]])
    # Real, for G is symmetric; NumPy 2.5 returns complex numbers all the same.
    rate, modes = map(np.real, np.linalg.eig(G / np.exp(parameters[2:4])[:, None]))
    rest = np.linalg.solve(G, [POWER_W, 0.0])
    share = np.linalg.solve(modes, rest)
    decay = np.exp(-np.maximum(t_s, 0.0)[:, None] * rate)
    return (rest - (decay * share) @ modes.T + parameters[4:]).T.ravel()


@pytest.mark.parametrize("heat_s", [40.0, 120.0])
def test_covariance_is_that_of_least_squares_on_the_same_data(heat_s: float) -> None:
    """scipy.optimize.curve_fit with the full covariance of readings that share a reference."""
    t_s = np.arange(-60.0, heat_s)
    truth = np.concatenate([np.log(R), np.log(C), [0.0, 0.0]])
    sigma = NOISE_K**2 * np.kron(np.eye(2) + 1, np.eye(len(t_s)))
    _, found = curve_fit(
        rise_K, t_s, rise_K(t_s, *truth), p0=truth, sigma=sigma, absolute_sigma=True
    )
    # Cells of several scans blur what happens within them: by less than this.
    assert np.sqrt(np.diag(planned(heat_s=heat_s))[:4]) == pytest.approx(
        np.sqrt(np.diag(found)[:4]), rel=0.05
    )


def test_a_lag_that_is_not_known_costs_and_never_gains() -> None:
    known, unknown = np.diag(planned())[:2], np.diag(planned({}))[:2]
    assert (unknown > known).all()


def test_gains_cost_what_the_record_does_not_tell_of_them() -> None:
    """Of one span alone no record tells a gain of its rise from its resistance: all of it stays."""
    alone = Lumped(("tab", "case"), ("tab", "case"), R[:1], C[:1])
    signals, scans = simulated(alone, BENCH, POWER_W, HEAT_S)
    told = information(
        alone,
        signals,
        scans,
        reference="case",
        noise_K=NOISE_K,
        lag_s=KNOWN,
        match_u={"tab": 0.05},
    )
    match = told.span_covariance(HEAT_S)["sensor_match"]
    assert np.sqrt(match[0, 0]) == pytest.approx(0.05 * R[0], rel=0.01)


def test_the_slow_rise_of_the_case_tells_how_alike_sensors_are() -> None:
    """Of a span far smaller than the case's rise: less than a fifth of its naive uncertainty."""
    match_u = {"bar": 0.01, "case": 0.01}
    network = Lumped((*NODES, "ambient"), NODES, np.array([4.0, 0.1, 8.0]), np.array([3.0, 20, 60]))
    signals, scans = simulated(network, BENCH, POWER_W, 3600.0)
    told = information(
        network, signals, scans, reference="case", noise_K=NOISE_K, lag_s=KNOWN, match_u=match_u
    )
    naive = np.hypot(8.1, 8.0) * 0.01
    assert np.sqrt(sum(told.span_covariance(3600.0).values())[1, 1]) < 0.2 * naive


def test_longer_heating_never_tells_less() -> None:
    u = [np.diag(planned({}, heat_s))[:2] for heat_s in (20.0, 40.0, 80.0, 120.0)]
    assert (np.diff(u, axis=0) < 0).all()


def test_twice_the_power_tells_twice_as_surely() -> None:
    once, twice = planned(), planned(power=2 * POWER_W)
    assert np.sqrt(once[0, 0] / twice[0, 0]) == pytest.approx(2.0, rel=1e-3)
