"""Random charge controllers with one hidden fault each, and what a bench would record of them.

Everything is invented and drawn from a seed: the budget, the true resistances within it, the fault.
A sound rig's resistances scatter about the budget by the budget's own uncertainty and stay within
their limits.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from bench.virtual.prototype import CaseSurface, Prototype, Sensor, read_sensor, simulate
from fit.budget.limits import DEFAULT_LIMIT_FACTOR
from fit.budget.model import Budget, Conditions, Limits, Prediction, Stage
from fit.records.run import Array, Run

NODES = ("junction", "tab", "board_back", "bar", "case", "ambient")
MEASURED = ("tab", "board_back", "bar", "case", "ambient")
STAGES = (
    Stage("junction to tab", "junction", "tab", "stated"),
    Stage("via array", "tab", "board_back", "via_array"),
    Stage("pad", "board_back", "bar", "pad", {"area_mm2": 308.0}, contact=True),
    Stage("bar to case", "bar", "case", "joint", {"pressure_MPa": 0.5}, contact=True),
    Stage("case to air", "case", "ambient", "surface"),
)
RESISTANCE_RANGE_K_PER_W = ((0.5, 3.0), (1.0, 6.0), (0.25, 1.5), (0.25, 1.0))
CAPACITY_RANGE_J_PER_K = ((0.02, 0.1), (1.0, 4.0), (3.0, 10.0), (10.0, 60.0), (80.0, 400.0))
CASE_RANGE_M2 = (0.01, 0.03)
BUDGET_U = (0.10, 0.10, 0.12, 0.12, 0.08)  # relative standard uncertainty of each stage
CAPACITY_U_BARE, CAPACITY_U_GEOMETRY = 0.3, 0.05  # of heat capacities as budgets state them
SHARE, SHARE_U = 0.97, 0.01
INTERVAL_S, SOAK_S, HEAT_S, COOL_S = 2.0, 120.0, 7200.0, 1200.0
FAULTS = ("pad", "joint", "vias", "thermocouple", "power", "cooling")
CAUSE = {
    "pad": ("poor-contact", "pad"),
    "joint": ("poor-contact", "bar to case"),
    "vias": ("high-resistance", "via array"),
    "power": ("power-error", "power"),
    "cooling": ("weak-cooling", "case to air"),
}

STAGE_AT_FAULT = {"pad": 2, "joint": 3, "vias": 1, "cooling": 4}
SIZES = {
    "pad": (0.3, 2.0),
    "joint": (0.3, 2.0),
    "vias": (0.3, 1.0),
    "cooling": (0.25, 0.8),
    "thermocouple": (0.05, 0.4),
    "power": (0.05, 0.15),
}
"""Relative size of each fault: of its stage's resistance, of the rise that a thermocouple misses,
of the power, high or low."""
PRIOR_SIZES = {
    "pad": (0.1, 3.0),
    "joint": (0.1, 3.0),
    "vias": (0.1, 3.0),
    "cooling": (0.1, 3.0),
    "thermocouple": (0.02, 0.6),
    "power": (0.02, 0.4),
}
"""The same over the range of `fit.assessment.hypotheses`, every factor alike."""


@dataclass(frozen=True)
class Rig:
    """One rig: what was budgeted, what is true, and what was recorded."""

    fault: str  # one of FAULTS, or "none"
    cause: tuple[str, str] | None  # kind and where of the finding that would be right
    size: float  # relative size of the fault
    true_K_per_W: Array  # (stages,) along the path at the run's end
    prediction: Prediction
    run: Run

    @property
    def over_limit(self) -> float:
        """Largest true resistance of a measured span over its limit."""
        limits = DEFAULT_LIMIT_FACTOR * self.prediction.R_K_per_W
        return float(np.max(self.true_K_per_W[1:] / limits[1:]))


def random_rig(seed: int, fault: str, *, as_in_prior: bool = False) -> Rig:
    """A rig with one fault of random size, of `SIZES` or of `PRIOR_SIZES`."""
    random = np.random.default_rng(seed)
    predicted = np.array([_log_uniform(random, *limits) for limits in RESISTANCE_RANGE_K_PER_W])
    ambient_degC = random.uniform(18, 28)
    surface = CaseSurface(
        _log_uniform(random, *CASE_RANGE_M2),
        random.uniform(1.5, 2.3),
        random.uniform(0.2, 0.9),
    )
    power_W = random.uniform(25, 45) / (surface.resistance_K_per_W(4.0, ambient_degC) + 2)
    deviation = sound_deviations(random)
    size, factor = _draw(random, fault, as_in_prior)
    node = str(random.choice(MEASURED[:-1]))
    deviation = np.where(factor > 1, 1.0, deviation) * factor
    surface_true = replace(surface, area_m2=surface.area_m2 / deviation[-1])
    prototype = Prototype(
        nodes=NODES,
        resistance_K_per_W=(*(predicted * deviation[:-1]), 1.0),
        capacity_J_per_K=tuple(_log_uniform(random, *limits) for limits in CAPACITY_RANGE_J_PER_K),
        surface=surface_true,
        path_fraction=SHARE * (1 + SHARE_U * random.standard_normal()),
        sensors=_sensors(random, {node: size} if fault == "thermocouple" else {}),
        ambient_degC=_ambient(random, ambient_degC),
    )
    reads = 1 + size if fault == "power" else 1.0
    run = record(prototype, power_W, random, power_reads=reads)
    heat_W = power_W * prototype.path_fraction
    case_to_air = surface_true.resistance_K_per_W(heat_W, ambient_degC)
    in_budget = surface.resistance_K_per_W(power_W * reads * SHARE, ambient_degC)
    cause = ("sensor-placement", node) if fault == "thermocouple" else CAUSE.get(fault)
    return Rig(
        fault=fault,
        cause=cause,
        size=size,
        true_K_per_W=np.append(predicted * deviation[:-1], case_to_air),
        prediction=_prediction(
            np.append(predicted, in_budget),
            power_W * reads,
            ambient_degC,
            _capacities(prototype, seed),
        ),
        run=run,
    )


def record(
    prototype: Prototype,
    power_W: float,
    random: np.random.Generator,
    *,
    power_reads: float = 1.0,
    interval_s: float = INTERVAL_S,
) -> Run:
    """Soak, heat and cool a prototype, and read its sensors."""
    t_s = np.arange(0.0, SOAK_S + HEAT_S + COOL_S, interval_s)
    on = (t_s >= SOAK_S) & (t_s < SOAK_S + HEAT_S)
    true = simulate(prototype, t_s, power_W * on)
    ambient = true["ambient"]
    readings = [
        read_sensor(prototype.sensors[node], t_s, true[node], ambient, random) for node in MEASURED
    ]
    return Run(
        path=Path("made"),
        label="made",
        nodes=MEASURED,
        t_s=t_s,
        temperature_degC=np.column_stack(readings),
        power=power_W * power_reads * on,
    )


def _draw(random: np.random.Generator, fault: str, as_in_prior: bool) -> tuple[float, Array]:
    """Relative size of a fault, and the factor on every stage's resistance."""
    factor = np.ones(len(STAGES))
    stage = STAGE_AT_FAULT.get(fault)
    if as_in_prior and fault in PRIOR_SIZES:
        size = _log_uniform(random, *PRIOR_SIZES[fault])
    else:
        # Drawn for a sound rig too, so that a seed stays the rig it has been.
        size = random.uniform(*SIZES.get(fault, (0.0, 0.0)))
    if stage is not None:
        factor[stage] += size
    if fault == "power":
        size *= random.choice((-1.0, 1.0))
    return size, factor


def sound_deviations(random: np.random.Generator) -> Array:
    """True over predicted, within the limits (a rig over its limit is not sound)."""
    while True:
        deviation = 1 + np.array(BUDGET_U) * random.standard_normal(len(STAGES))
        if np.all(deviation < 0.97 * DEFAULT_LIMIT_FACTOR) and np.all(deviation > 0.5):
            return deviation


def _sensors(random: np.random.Generator, low: dict[str, float]) -> dict[str, Sensor]:
    return {
        node: Sensor(
            offset_K=random.uniform(-1.5, 1.5),
            noise_K=random.uniform(0.01, 0.05),
            lag_s=random.uniform(0.5, 4.0),
            quantum_K=1 / 16,
            low_reading=low.get(node, 0.0),
        )
        for node in MEASURED
    }


def _ambient(random: np.random.Generator, level_degC: float) -> Callable[[float], float]:
    slope, phase = random.uniform(-0.5, 0.5) / 7200, random.uniform(0, 2 * np.pi)
    return lambda t_s: level_degC + slope * t_s + 0.2 * np.sin(2 * np.pi * t_s / 1800 + phase)


def _capacities(prototype: Prototype, seed: int) -> tuple[Array, float | None]:
    """Heat capacities as budgeted and their relative uncertainty, None where none is stated.

    Every other budget has them from geometry; the rest states them bare, as good as a guess.
    """
    random = np.random.default_rng([seed, 1])
    true = np.array(prototype.capacity_J_per_K)
    drawn = bool(random.integers(2))
    u = CAPACITY_U_GEOMETRY if drawn else CAPACITY_U_BARE
    return true * np.exp(u * random.standard_normal(len(true))), u if drawn else None


def _prediction(
    R: Array, power_W: float, ambient_degC: float, capacity: tuple[Array, float | None]
) -> Prediction:
    C, u = capacity
    stages = tuple(
        replace(stage, C_J_per_K=float(c), C_u_J_per_K=None if u is None else u * float(c))
        for stage, c in zip(STAGES, C, strict=True)
    )
    conditions = Conditions(power_W, ambient_degC, None, SHARE, SHARE_U)
    return Prediction(
        budget=Budget("made", Path("made.toml"), conditions, Limits(), stages),
        power_W=power_W,
        ambient_degC=ambient_degC,
        R_K_per_W=R,
        R_covariance=np.diag((np.array(BUDGET_U) * R) ** 2),
        C_J_per_K=C,
        rise_K={},
        rise_u_K={},
        tau_s=np.array([]),
        foster_node="junction",
        foster_R_K_per_W=np.array([]),
        foster_tau_s=np.array([]),
    )


def _log_uniform(random: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(random.uniform(np.log(low), np.log(high))))
