"""The heat capacity a record shows, and what it tells of the power reading."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from fit.assessment.conformity import hold
from fit.assessment.diagnosis import posterior_of
from fit.assessment.hypotheses import CapacityEvidence
from fit.identification.autocorrelation import lag_one
from fit.identification.energy_balance import EnergyBalance, integral
from fit.measurement import heat_capacity
from fit.measurement.heat_capacity import _over_designs, stored_heat
from fit.measurement.spans import measure
from fit.signals.preparation import prepare
from tests.benchmarks.faulty_rigs import MEASURED, SHARE, random_rig
from tests.fit.assessment.test_diagnosis import pattern


def true_capacities(seed):
    """Of the rig that `random_rig` draws: its budget's own, its drawing error taken out."""
    rig = random_rig(seed, "none")
    stages = rig.prediction.budget.stages
    u = 0.3 if stages[0].C_u_J_per_K is None else 0.05
    random = np.random.default_rng([seed, 1])
    random.integers(2)
    C = rig.prediction.C_J_per_K / np.exp(u * random.standard_normal(len(stages)))
    return np.array([C[0] + C[1], *C[2:]])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_apparent_heat_capacity_is_the_true_one(seed):
    """Simulated truth: natural convection and radiation, drifting ambient, lag, 1/16 K steps."""
    run = random_rig(seed, "none").run
    found = stored_heat(prepare(run), MEASURED, true_capacities(seed), float(run.power.max()))
    assert found.ratio * SHARE == pytest.approx(1.0, abs=0.03)
    assert found.u < 0.03


def test_stored_heat_is_shared_by_capacity_and_rise():
    """C_i times what node i has warmed by when most is stored, over the sum; none at ambient."""
    run = random_rig(1, "none").run
    signals, C = prepare(run), true_capacities(1)
    found = stored_heat(signals, MEASURED, C, float(run.power.max()))
    columns = [signals.nodes.index(node) for node in MEASURED[:-1]]
    readings = signals.temperature_degC[:, columns]
    by_node = C * (readings - readings[: signals.soak_samples].mean(axis=0))
    most = by_node[np.convolve(by_node.sum(axis=1), np.ones(30), "same").argmax()]
    assert found.share[:-1] == pytest.approx(most / most.sum(), abs=0.01)
    assert found.share[-1] == 0.0


def test_power_that_reads_high_makes_the_heat_capacity_seem_larger():
    run = random_rig(1, "none").run
    C, power_W = true_capacities(1), float(run.power.max())
    right = stored_heat(prepare(run), MEASURED, C, power_W)
    high = stored_heat(prepare(replace(run, power=1.1 * run.power)), MEASURED, C, 1.1 * power_W)
    assert high.ratio / right.ratio == pytest.approx(1.1, rel=0.003)


def test_record_without_ambient_tells_nothing():
    run = random_rig(1, "none").run
    assert stored_heat(prepare(run), MEASURED[:-1], np.ones(3), 4.0) is None


def test_record_that_barely_warms_tells_nothing():
    run = random_rig(1, "none").run
    short = replace(run, t_s=run.t_s[:75], temperature_degC=run.temperature_degC[:75])
    short = replace(short, power=run.power[:75])
    assert stored_heat(prepare(short), MEASURED, true_capacities(1), 4.0) is None


def probability(kind, measured, capacity):
    posterior = posterior_of(replace(pattern(measured), capacity=capacity))
    return sum(s.probability for s in posterior.suspicions if s.cause.kind == kind)


def evidence(scale, case_share=0.9):
    rest = (1 - case_share) / 3
    return CapacityEvidence(np.log(scale), 0.04, np.array([rest, rest, rest, case_share, 0.0]))


def test_heat_capacity_off_the_other_way_names_the_power():
    """All spans 12 % low are within the budget's own doubt; 12 % more capacity settles it."""
    low = np.array((3.2, 0.6, 0.7, 7.5)) / 1.12
    alone = probability("power-error", low, None)
    agreed = probability("power-error", low, evidence(1.12))
    denied = probability("power-error", low, evidence(1.0))
    assert denied < alone < agreed
    assert agreed > 0.8
    assert denied < 0.2


def test_heat_capacity_as_budgeted_leaves_a_resistance_that_rose():
    measured = (3.2, 1.1, 0.7, 7.5)
    assert probability("poor-contact", measured, evidence(1.0)) > 0.95


def test_case_that_reads_low_seems_to_store_more():
    """Its own rise is the divisor: 15 % less of it, 1 / 0.865 the capacity at a 90 % share."""
    rise = 7.5
    missed = 0.15 * rise
    measured = (3.2, 0.6, 0.7 + missed, 7.5 - missed)
    with_it = probability("sensor-placement", measured, evidence(1 / 0.865))
    against_it = probability("sensor-placement", measured, evidence(0.75))
    assert with_it > 0.9
    assert against_it <= with_it


def test_budget_without_a_case_capacity_gives_no_evidence():
    rig = random_rig(1, "none")
    bare = replace(rig.prediction, C_J_per_K=np.zeros(5))
    assert hold(measure(rig.run), bare).decision == "conforming"


def in_turns(size):
    """Plus and minus by turns: residuals that do not correlate."""
    return np.tile([1.0, -1.0], size // 2)


def test_one_model_is_ordinary_least_squares():
    """Slope and variance s^2 (X'X)^-1 by n - p (Seber & Lee, ch. 3)."""
    x = np.linspace(1.0, 5.0, 40)
    design = np.column_stack([x, np.ones(40)])
    energy = 3.0 * x + 2.0 + 0.1 * in_turns(40)
    coefficient, squares, *_ = np.linalg.lstsq(design, energy, rcond=None)
    found, variance = _over_designs([design], energy)
    assert found == pytest.approx(coefficient[0])
    assert variance == pytest.approx(squares[0] / 38 * np.linalg.inv(design.T @ design)[0, 0])


def test_residuals_that_run_together_leave_less_freedom():
    """As many as n - p times (1 - rho)/(1 + rho), rho of lag one."""
    x = np.linspace(1.0, 5.0, 40)
    design = np.column_stack([x, np.ones(40)])
    energy = 3.0 * x + np.sin(2 * np.pi * np.arange(40) / 8)
    coefficient, squares, *_ = np.linalg.lstsq(design, energy, rcond=None)
    rho = lag_one((energy - design @ coefficient)[:, None])
    _, variance = _over_designs([design], energy)
    spread = np.linalg.inv(design.T @ design)[0, 0]
    assert variance == pytest.approx(squares[0] / (38 * (1 - rho) / (1 + rho)) * spread)


def test_two_models_alike_share_the_answer_and_their_distance_is_doubt():
    """Both describe it as well: the mean of 3 and 1.5, and a quarter of the square between."""
    x = np.linspace(1.0, 5.0, 40)
    one = np.column_stack([x, np.ones(40)])
    twice = np.column_stack([2 * x, np.ones(40)])
    energy = 3.0 * x + 0.01 * in_turns(40)
    (alone, own), (other, own_other) = (_over_designs([design], energy) for design in (one, twice))
    found, variance = _over_designs([one, twice], energy)
    assert found == pytest.approx((alone + other) / 2)
    assert variance == pytest.approx((own + own_other) / 2 + (alone - other) ** 2 / 4)


def test_a_model_that_describes_it_worse_does_not_count():
    x = np.linspace(1.0, 5.0, 40)
    energy = 3.0 * x + 0.01 * in_turns(40)
    found, _ = _over_designs([np.column_stack([x]), np.column_stack([x**3])], energy)
    assert found == pytest.approx(3.0, abs=0.01)


@pytest.mark.parametrize("exponent", [0.0, 0.25, 0.3])
def test_a_loss_by_any_power_of_natural_convection_leaves_the_ratio_exact(monkeypatch, exponent):
    """Laminar natural convection, 1/4 (Incropera, ch. 9, from memory), and both ends of the range.

    A balance without noise: 7 % more heat stored than budgeted, 1 % doubted for the model.
    """
    t_s = np.linspace(0.0, 3600.0, 200)
    rise = 40.0 * (1 - np.exp(-t_s / 900.0))
    tab = rise + 8.0 * (1 - np.exp(-t_s / 30.0))
    lost = 0.4 * integral(rise ** (1 + exponent), t_s)
    energy = 1.07 * (5.0 * tab + 150.0 * rise) + lost
    balance = EnergyBalance(
        energy, np.column_stack((tab, rise)), rise, t_s, np.ones(200, bool), t_s > 0
    )
    monkeypatch.setattr(heat_capacity, "energy_balance", lambda *_: balance)
    signals = SimpleNamespace(nodes=("tab", "case", "ambient"))
    found = stored_heat(signals, signals.nodes, np.array([5.0, 150.0]), 4.0)
    assert found.ratio == pytest.approx(1.07, rel=1e-6)
    assert found.u == pytest.approx(0.0107, rel=1e-4)
