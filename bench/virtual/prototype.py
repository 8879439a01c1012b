"""The virtual prototype: a thermal ladder with a hidden truth, and the sensors on it.

Everything here is invented for demonstration and tests.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm

Array = NDArray[np.float64]
STEFAN_BOLTZMANN = 5.670374419e-8  # W/(m^2 K^4), CODATA 2018


@dataclass(frozen=True)
class CaseSurface:
    """Natural convection h = c (T_case - T_ambient)^0.25 and grey radiation from one area."""

    area_m2: float
    convection_W_per_m2K125: float = 1.9
    emissivity: float = 0.85

    def heat_W(self, case_degC: float, ambient_degC: float) -> float:
        """Heat given to the ambient [W] from the two temperatures [degC]."""
        difference = case_degC - ambient_degC
        convection = self.convection_W_per_m2K125 * abs(difference) ** 0.25 * difference
        case_K, ambient_K = case_degC + 273.15, ambient_degC + 273.15
        radiation = self.emissivity * STEFAN_BOLTZMANN * (case_K**4 - ambient_K**4)
        return self.area_m2 * (convection + radiation)

    def resistance_K_per_W(self, heat_W: float, ambient_degC: float) -> float:
        """Case-to-air resistance [K/W] when that heat [W] leaves at steady state."""
        low, high = 0.0, 1000.0
        for _ in range(80):
            middle = 0.5 * (low + high)
            if self.heat_W(ambient_degC + middle, ambient_degC) < heat_W:
                low = middle
            else:
                high = middle
        return middle / heat_W


@dataclass(frozen=True)
class Sensor:
    """A thermocouple and its reader.

    reading = q(lag(T) + offset - low_reading (T - T_ambient) + noise).
    """

    offset_K: float = 0.0
    noise_K: float = 0.0
    lag_s: float = 0.0
    quantum_K: float = 0.0
    low_reading: float = 0.0  # fraction of the node's rise above ambient that the bead misses


@dataclass(frozen=True)
class Prototype:
    """A ladder from the heat source to ambient: nodes[i] - resistance[i] - nodes[i + 1].

    `nodes` ends with "ambient"; `resistance_K_per_W` has one value per pair of neighbours, the last
    of them replaced by `surface` when there is one; `capacity_J_per_K` belongs to nodes[:-1].
    """

    nodes: tuple[str, ...]
    resistance_K_per_W: tuple[float, ...]
    capacity_J_per_K: tuple[float, ...]
    surface: CaseSurface | None = None
    path_fraction: float = 1.0
    sensors: Mapping[str, Sensor] = field(default_factory=dict)
    ambient_degC: Callable[[float], float] = lambda t_s: 25.0
    cooling: Callable[[float], float] = lambda t_s: (
        1.0
    )  # draught: factor on the heat the case gives off


class State:
    """The prototype's temperatures as time goes on.

    The ladder without its last stage is stepped exactly (matrix exponential, power and heat loss
    held over the step), the loss from the case is taken at the predicted middle of the step.
    """

    def __init__(self, prototype: Prototype) -> None:
        self.prototype = prototype
        self.t_s = 0.0
        size = len(prototype.capacity_J_per_K)
        self.temperature_degC: Array = np.full(size, prototype.ambient_degC(0.0))
        self._steps: dict[float, tuple[Array, Array]] = {}
        self._slope_K_per_s = 0.0
        conductance = np.zeros((size, size))
        for i, resistance in enumerate(prototype.resistance_K_per_W[: size - 1]):
            conductance[i : i + 2, i : i + 2] += np.array([[1, -1], [-1, 1]]) / resistance
        self._capacity = np.array(prototype.capacity_J_per_K)
        self._rate = -conductance / self._capacity[:, None]

    def _step_matrices(self, step_s: float) -> tuple[Array, Array]:
        """Transition of the state and response to heat held constant over the step."""
        if step_s not in self._steps:
            size = len(self._capacity)
            block = np.zeros((2 * size, 2 * size))
            block[:size, :size] = self._rate * step_s
            block[:size, size:] = np.diag(step_s / self._capacity)
            whole = expm(block)
            self._steps[step_s] = (whole[:size, :size], whole[:size, size:])
        return self._steps[step_s]

    def _loss_W(self, case_degC: float, t_s: float) -> float:
        prototype = self.prototype
        ambient = prototype.ambient_degC(t_s)
        if prototype.surface is not None:
            return prototype.cooling(t_s) * prototype.surface.heat_W(case_degC, ambient)
        return prototype.cooling(t_s) * (case_degC - ambient) / prototype.resistance_K_per_W[-1]

    def advance(self, step_s: float, power_W: float) -> None:
        """Go on by step_s [s] with power_W [W] electrical applied."""
        transition, response = self._step_matrices(step_s)
        case = self.temperature_degC[-1]
        middle = case + 0.5 * step_s * self._slope_K_per_s
        heat = np.zeros(len(self._capacity))
        heat[0] = self.prototype.path_fraction * power_W
        heat[-1] -= self._loss_W(middle, self.t_s + 0.5 * step_s)
        self.temperature_degC = transition @ self.temperature_degC + response @ heat
        self._slope_K_per_s = (self.temperature_degC[-1] - case) / step_s
        self.t_s += step_s

    def nodes_degC(self) -> dict[str, float]:
        """True temperature of every node, ambient included [degC]."""
        values = dict(zip(self.prototype.nodes, map(float, self.temperature_degC), strict=False))
        values[self.prototype.nodes[-1]] = self.prototype.ambient_degC(self.t_s)
        return values


def simulate(prototype: Prototype, t_s: Array, power_W: Array) -> dict[str, Array]:
    """True node temperatures [degC] at t_s (n,) [s]; power_W[i] holds from t_s[i] to t_s[i + 1]."""
    state = State(prototype)
    rows = [state.nodes_degC()]
    for step, power in zip(np.diff(t_s), power_W[:-1], strict=True):
        state.advance(float(np.round(step, 9)), float(power))
        rows.append(state.nodes_degC())
    return {node: np.array([row[node] for row in rows]) for node in prototype.nodes}


def read_sensor(
    sensor: Sensor, t_s: Array, true_degC: Array, ambient_degC: Array, random: np.random.Generator
) -> Array:
    """What the sensor reports [degC] for a node's true temperature (n,) [degC] at t_s (n,) [s]."""
    reading = true_degC - sensor.low_reading * (true_degC - ambient_degC)
    if sensor.lag_s > 0:
        lagged = reading.copy()
        for i in range(1, len(reading)):
            ratio = (t_s[i] - t_s[i - 1]) / sensor.lag_s
            decay = np.exp(-ratio)
            ramp = (1 - decay) / ratio if ratio > 0 else 1.0
            lagged[i] = (
                decay * lagged[i - 1] + (1 - ramp) * reading[i] + (ramp - decay) * reading[i - 1]
            )
        reading = lagged
    reading = reading + sensor.offset_K + sensor.noise_K * random.standard_normal(len(reading))
    if sensor.quantum_K > 0:
        reading = np.round(reading / sensor.quantum_K) * sensor.quantum_K
    return reading
