"""The virtual bench as time goes on: the prototype warms while its supplies are on."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable

import numpy as np

from bench.virtual.prototype import Sensor, State
from bench.virtual.scenario import Unit
from bench.virtual.supply import Supply

METER_NOISE = 2e-4  # of the supply's own readings, relative


class World:
    """One unit, its supplies and its sensors, brought up to the clock's present when asked."""

    def __init__(self, unit: Unit, now_s: Callable[[], float], step_s: float = 0.5) -> None:
        """
        Args:
            unit: the prototype as made.
            now_s: bench time [s].
            step_s: temperatures are held between two multiples of it [s].
        """
        self.unit = unit
        self.supplies = {
            feed.supply: Supply(load_ohm=feed.load_ohm, reads_A_times=feed.reads_A_times)
            for feed in unit.feeds
        }
        self._now_s = now_s
        self._start_s = now_s()
        self._step_s = step_s
        self._steps = 0
        self._state = State(unit.prototype)
        self._random = np.random.default_rng([unit.seed, 1])
        self._beads = {
            node: _Bead(sensor, unit.prototype.ambient_degC(0.0))
            for node, sensor in unit.prototype.sensors.items()
        }
        self._lock = threading.Lock()

    @property
    def supply(self) -> Supply:
        """The supply, the first where there are several."""
        return next(iter(self.supplies.values()))

    @property
    def t_s(self) -> float:
        """Bench time since the prototype was set up [s]."""
        return self._now_s() - self._start_s

    def catch_up(self) -> None:
        """Let the time since the last call pass, with the power as it was."""
        with self._lock:
            due = int(self.t_s / self._step_s + 1e-6)
            while self._steps < due:
                powers_W = np.array([supply.power_W for supply in self.supplies.values()])
                self._state.advance(self._step_s, powers_W)
                self._steps += 1
                for node, true in self._state.nodes_degC().items():
                    if node in self._beads:
                        self._beads[node].follow(true, self._ambient_degC(), self._step_s)

    def readings_degC(self) -> dict[str, float]:
        """What the thermocouples read now, by node [degC]."""
        self.catch_up()
        with self._lock:
            return {node: bead.reading(self._random) for node, bead in self._beads.items()}

    def true_degC(self) -> dict[str, float]:
        """True temperature of every node [degC]."""
        self.catch_up()
        with self._lock:
            return self._state.nodes_degC()

    def meter_noise(self) -> float:
        """Relative deviation of one reading of the supply's meters."""
        with self._lock:
            return float(METER_NOISE * self._random.standard_normal())

    def _ambient_degC(self) -> float:
        return self.unit.prototype.ambient_degC(self._state.t_s)


class _Bead:
    """A sensor that follows its node with a lag."""

    def __init__(self, sensor: Sensor, start_degC: float) -> None:
        self._sensor = sensor
        self._lagged = self._before = start_degC
        self._decay: dict[float, tuple[float, float]] = {}

    def follow(self, true_degC: float, ambient_degC: float, step_s: float) -> None:
        """Exact for a temperature that runs straight over the step."""
        seen = true_degC - self._sensor.low_reading * (true_degC - ambient_degC)
        if self._sensor.lag_s > 0:
            decay, ramp = self._over(step_s / self._sensor.lag_s)
            self._lagged = decay * self._lagged + (1 - ramp) * seen + (ramp - decay) * self._before
        else:
            self._lagged = seen
        self._before = seen

    def reading(self, random: np.random.Generator) -> float:
        sensor = self._sensor
        value = self._lagged + sensor.offset_K + sensor.noise_K * float(random.standard_normal())
        return round(value / sensor.quantum_K) * sensor.quantum_K if sensor.quantum_K else value

    def _over(self, ratio: float) -> tuple[float, float]:
        if ratio not in self._decay:
            decay = math.exp(-ratio)
            self._decay[ratio] = (decay, (1 - decay) / ratio)
        return self._decay[ratio]
