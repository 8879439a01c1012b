"""A virtual sense source: the forward voltage of the prototype's junction, window by window.

Everything here is invented for demonstration and tests. Below the die's face lies one slab on the
tab, so that a junction that was heated falls by (H. S. Carslaw, J. C. Jaeger, Conduction of Heat in
Solids, 3.3, from memory)

    (T_j − T_tab)(t) / (T_j − T_tab)(0) = Σ 8 / (π (2k + 1))² exp(−(2k + 1)² t / τ).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench.virtual.instrument import Faults

ASK = "VF?"
TERMS = 200  # of the sum: a hundredth of a millisecond is then right to a per mille
BOLTZMANN_V_PER_K = 8.617333262e-5  # k/q, CODATA 2018
AT_degC, AT_K = 25.0, 298.15  # where V_at_25 and mV_per_K are stated


@dataclass(frozen=True)
class VirtualJunction:
    """[junction] of prototype.toml: the diode, its slab, and how it is read."""

    node: str
    tab: str
    tau_s: float
    V_at_25: float
    mV_per_K: float
    curvature: float
    noise_mV: float
    step_mV: float
    first_us: float
    last_us: float
    readings: int

    @property
    def age_us(self) -> NDArray[np.float64]:
        """When a window is read (m,) [us since the interruption]."""
        return np.round(np.linspace(self.first_us, self.last_us, self.readings))

    def left(self, age_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Share of its rise above the tab that is left at an age (m,) [s]."""
        odd = 2 * np.arange(TERMS) + 1
        weight = 1 / odd**2
        decay = np.exp(-np.minimum(np.multiply.outer(age_s, odd**2) / self.tau_s, 700.0))
        return np.asarray(decay @ weight / weight.sum())

    def volts(self, degC: NDArray[np.float64]) -> NDArray[np.float64]:
        """Forward voltage (m,) at its temperature (m,)."""
        T = degC - AT_degC + AT_K
        bend = BOLTZMANN_V_PER_K * (T * np.log(T / AT_K) - (T - AT_K))
        return np.asarray(
            self.V_at_25 - 1e-3 * self.mV_per_K * (degC - AT_degC) - self.curvature * bend
        )


class SenseSource:
    """Answers VF? with a window, or sends one unasked."""

    def __init__(
        self, junction: VirtualJunction, true_degC: Callable[[], Mapping[str, float]], seed: int
    ) -> None:
        """
        Args:
            junction: that it is joined to.
            true_degC: present temperature of every node.
            seed: of its noise.
        """
        self._junction, self._true_degC = junction, true_degC
        self._random = np.random.default_rng([seed, 1])

    def answer(self, line: str, faults: Faults) -> str | None:
        if line.strip().upper() == ASK:
            return self.unasked()
        return "heatrun,virtual sense source,1,0" if line.strip().upper() == "*IDN?" else None

    def unasked(self) -> str | None:
        one, degC = self._junction, self._true_degC()
        tab, age_us = degC[one.tab], one.age_us
        V = one.volts(tab + (degC[one.node] - tab) * one.left(1e-6 * age_us))
        V = V + 1e-3 * one.noise_mV * self._random.standard_normal(len(V))
        V = np.round(V / (1e-3 * one.step_mV)) * (1e-3 * one.step_mV)
        return "VF " + " ".join(f"{age:.0f}:{v:.6f}" for age, v in zip(age_us, V, strict=True))
