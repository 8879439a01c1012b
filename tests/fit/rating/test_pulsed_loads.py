"""Pulses of random passive products: what physics says of any of them (maximum principle)."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fit.rating.power_profile import Profile
from fit.rating.pulsed_loads import DUTIES, TransientPath, duty_table, run_profile
from fit.records.run import Array

AMBIENT_DEGC, LIMIT_DEGC = 55.0, 140.0


@dataclass(frozen=True)
class Settled:
    """A product in steady state, its surface's rise a power law of the heat."""

    inner_K_per_W: float
    lead_K_per_W: float
    surface_K: float  # at 1 W
    exponent: float
    ambient_degC: float = AMBIENT_DEGC
    path: SimpleNamespace = field(
        default_factory=lambda: SimpleNamespace(
            budget=SimpleNamespace(conditions=SimpleNamespace(power_W=4.0))
        )
    )

    def node_degC(self, node: str, power_W: float | Array) -> Array:
        power = np.atleast_1d(power_W)
        above = {"case": 0.0, "tab": self.inner_K_per_W}
        above["junction"] = self.inner_K_per_W + self.lead_K_per_W
        return self.ambient_degC + power * above[node] + self.surface_K * power**self.exponent


@st.composite
def products(draw) -> TransientPath:
    """A ladder of tab, two lumps and case, heated at the tab, and a die above it.

    The surface at the rating's ambient is within half of what the run had: of one that is many
    times it, the run's network says nothing.
    """
    size = st.floats(-1, 1)
    R = np.array([10 ** draw(size) for _ in range(4)]) * [1, 1, 1, 10]
    C = np.array([10 ** draw(size) for _ in range(4)]) * [2, 10, 10, 100]
    G = np.diag(1 / R)
    for i, conductance in enumerate(1 / R[:-1]):
        G[i + 1, i + 1] += conductance
        G[i, i + 1] = G[i + 1, i] = -conductance
    rate, modes = np.linalg.eigh(G / np.sqrt(np.outer(C, C)))
    phi = modes / np.sqrt(C)[:, np.newaxis]
    tau_s = 1 / rate
    tab, case = (phi[j] * phi[0] * tau_s for j in (0, -1))
    lead = 10 ** draw(size)
    return TransientPath(
        climate=Settled(
            R[:3].sum(), lead, R[3] * draw(st.floats(0.5, 1.5)), draw(st.floats(0.7, 1.0))
        ),
        source="junction",
        skin="case",
        first="tab",
        base="case",
        tau_s=tau_s,
        inner_K_per_W=tab - case,
        shape=case / case.sum(),
        lead_K_per_W=np.array([lead]),
        lead_tau_s=np.array([0.1 * lead]),
        shortest_s=0.0,
    )


def held_W(path: TransientPath) -> float:
    low, high = 0.0, 1e3
    for _ in range(80):
        middle = 0.5 * (low + high)
        cool = path.climate.node_degC("junction", middle)[0] < LIMIT_DEGC
        low, high = (middle, high) if cool else (low, middle)
    return low


@settings(max_examples=60, deadline=None)
@given(products())
def test_pulses_may_have_at_least_the_power_that_may_be_held(path):
    held = held_W(path)
    assert min(p.allowable_pulse_W for p in duty_table(path, LIMIT_DEGC, 0.0)) >= held * (1 - 1e-6)


@settings(max_examples=60, deadline=None)
@given(products())
def test_longer_pulses_and_longer_periods_allow_no_more(path):
    table = duty_table(path, LIMIT_DEGC, 0.0)
    for duty in DUTIES:
        along = [p.allowable_pulse_W for p in table if p.duty == duty]
        # The peak is sought at times of a grid: between two of them it is missed by so little.
        assert np.all(np.diff(along) <= 1e-3 * np.array(along[1:]))
    for period_s in {p.period_s for p in table}:
        along = [p.allowable_pulse_W for p in table if p.period_s == period_s]
        assert np.all(np.diff(along) <= 1e-6 * np.array(along[1:]))


@settings(max_examples=60, deadline=None)
@given(
    products(),
    st.lists(st.floats(0.0, 20.0), min_size=1, max_size=5),
    st.lists(st.floats(1.0, 1e4), min_size=5, max_size=5),
    st.booleans(),
)
def test_profile_is_never_hotter_than_its_highest_power_held(path, powers, steps, repeat):
    t_s = np.concatenate([[0.0], np.cumsum(steps[: len(powers)])])
    profile = Profile(Path("p.csv"), t_s, np.array([*powers, 0.0]), repeat)
    result = run_profile(path, profile, LIMIT_DEGC, 0.0)
    for node, peak in (("junction", result.peak_degC), ("case", result.skin_peak_degC)):
        assert peak <= path.climate.node_degC(node, max(powers))[0] + 1e-6


def test_fast_pulses_are_as_hot_as_their_mean_held_and_slow_ones_as_their_power():
    """The two ends between which every pulse lies."""
    path = TransientPath(
        climate=Settled(2.0, 0.0, 12.0, 0.8),
        source="junction",
        skin="case",
        first="tab",
        base="case",
        tau_s=np.array([50.0, 500.0]),
        inner_K_per_W=np.array([2.0, 0.0]),
        shape=np.array([0.0, 1.0]),
        lead_K_per_W=np.array([0.0]),
        lead_tau_s=np.array([0.0]),
        shortest_s=0.0,
    )
    for period_s, equal_W in ((0.01, 1.5), (1e5, 6.0)):
        t_s = np.array([0.0, 0.25 * period_s, period_s])
        profile = Profile(Path("p.csv"), t_s, np.array([6.0, 0.0, 0.0]), repeat=True)
        peak = run_profile(path, profile, None, 0.0).peak_degC
        assert peak == pytest.approx(path.climate.node_degC("junction", equal_W)[0], abs=0.01)
