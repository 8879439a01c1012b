"""The virtual prototype: a thermal network with a hidden truth, and the sensors on it.

Everything here is invented for demonstration and tests.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from scipy.linalg import expm

from fit.network.topology import Array, Link, Topology, chain

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
    """A thermal network: a chain from the heat source to ambient unless `links` say otherwise.

    `nodes` ends with "ambient"; `capacity_J_per_K` belongs to all others. `resistance_K_per_W` has
    one value for each link, the last of them replaced by `surface` when there is one; without
    `links` each node is joined to the next. Heat enters at the first node unless `sources` say
    otherwise.
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
    )  # draught: factor on the heat given off to ambient
    links: tuple[Link, ...] = ()
    sources: tuple[str, ...] = ()  # the node where each source's heat enters

    @cached_property
    def topology(self) -> Topology:
        """Its links and sources."""
        path = chain(self.nodes)
        links, sources = self.links or path.links, self.sources or path.sources
        return Topology(path.nodes, links, path.reference, sources)


class State:
    """The prototype's temperatures as time goes on.

    The links between its nodes are stepped exactly (matrix exponential, power and heat loss held
    over the step), what a node gives off to ambient is taken at the predicted middle of the step.
    """

    def __init__(self, prototype: Prototype) -> None:
        self.prototype = prototype
        self.t_s = 0.0
        topology = prototype.topology
        self.temperature_degC: Array = np.full(len(topology), prototype.ambient_degC(0.0))
        self._steps: dict[float, tuple[Array, Array]] = {}
        self._slope_K_per_s = np.zeros(len(topology))
        inner = np.array(prototype.resistance_K_per_W, dtype=float)
        self._to_ambient = topology.at_reference
        inner[[link for link, _ in self._to_ambient]] = np.inf
        self._entering = prototype.path_fraction * topology.entry
        self._capacity = np.array(prototype.capacity_J_per_K)
        self._rate = -topology.conductance_matrix(inner) / self._capacity[:, None]

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

    def _loss_W(self, link: int, node_degC: float, t_s: float) -> float:
        """Heat given off to ambient by a link [W]."""
        prototype = self.prototype
        ambient = prototype.ambient_degC(t_s)
        if prototype.surface is not None and link == len(prototype.topology.links) - 1:
            return prototype.cooling(t_s) * prototype.surface.heat_W(node_degC, ambient)
        R = prototype.resistance_K_per_W[link]
        return prototype.cooling(t_s) * (node_degC - ambient) / R

    def advance(self, step_s: float, power_W: float | Array) -> None:
        """Go on by step_s [s] with power_W [W] electrical applied, one or (sources,)."""
        transition, response = self._step_matrices(step_s)
        before = self.temperature_degC
        middle = before + 0.5 * step_s * self._slope_K_per_s
        heat = self._entering @ np.atleast_1d(power_W)
        for link, node in self._to_ambient:
            heat[node] -= self._loss_W(link, float(middle[node]), self.t_s + 0.5 * step_s)
        self.temperature_degC = transition @ before + response @ heat
        self._slope_K_per_s = (self.temperature_degC - before) / step_s
        self.t_s += step_s

    def nodes_degC(self) -> dict[str, float]:
        """True temperature of every node, ambient included [degC]."""
        topology = self.prototype.topology
        values = dict(zip(topology.nodes, map(float, self.temperature_degC), strict=True))
        return values | {topology.reference: self.prototype.ambient_degC(self.t_s)}


def simulate(prototype: Prototype, t_s: Array, power_W: Array) -> dict[str, Array]:
    """True node temperatures [degC] at t_s (n,) [s].

    power_W (n,) or (n, sources) [W] holds from each time to the next.
    """
    state = State(prototype)
    rows = [state.nodes_degC()]
    for step, power in zip(np.diff(t_s), power_W[:-1], strict=True):
        state.advance(float(np.round(step, 9)), power)
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
