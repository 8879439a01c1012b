"""How a product warms: its slow modes stepped exactly, its fast ones at rest at every moment.

    C dT/dt = -G T + source P + loss;   G v = rate C v,  T = V x + r P

The case loses heat by natural convection and radiation with one coefficient h(t) for all its
cells; what it differs from the coefficient of the modes is put back as a forcing.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from scipy.sparse import csc_array, diags_array
from scipy.sparse.linalg import eigsh, splu

from tests.benchmarks.field.product import Dimensions, Product

Array = Any
STEFAN_BOLTZMANN = 5.670374419e-8
MODES = 160


class Warming:
    """The product's response to power and ambient at a power [W] of about its own."""

    def __init__(self, product: Product, power_W: float, ambient_degC: float) -> None:
        self.product, self.ambient_degC = product, ambient_degC
        n = product.assembly.size
        self._area = np.zeros(n)
        self._area[product.case] = product.case_area_m2
        self._source = np.zeros(n)
        self._source[product.source] = 1.0
        self.final_K, h = self._at_rest(power_W)
        self._h = h
        G, C = product.assembly.matrices(h * self._area)
        rate, V = eigsh(G, k=min(MODES, n - 2), M=csc_array(diags_array(C)), sigma=0.0)
        self._rate, self._V = rate, V
        self._drive = V.T @ self._source
        # What the modes left out contribute follows the power at once.
        self._rest = splu(G).solve(self._source) - V @ (self._drive / rate)
        self._by_ambient = V.T @ (h * self._area)
        self._loss = (V * (h * self._area)[:, None]).T @ V
        self._mean_case = V[product.case].mean(axis=0)

    def coefficient(self, rise_K: float, factor: float = 1.0) -> float:
        """Heat transfer coefficient of the case [W/(m2 K)] at a rise above ambient [K]."""
        return factor * coefficient(self.product.dimensions, rise_K, self.ambient_degC)

    def _at_rest(self, power_W: float, factor: float = 1.0) -> tuple[Array, float]:
        """Rise of every cell above ambient [K] at steady state, and the coefficient there."""
        h = 9.0
        for _ in range(40):
            G, _C = self.product.assembly.matrices(h * self._area)
            rise = splu(G).solve(power_W * self._source)
            now = self.coefficient(float(rise[self.product.case].mean()), factor)
            if abs(now - h) < 1e-9 * h:
                break
            h = now
        return rise, h

    def resistances(self, power_W: float, draught: float = 1.0) -> Array:
        """True spans between the sensed places, case to ambient last, per watt [K/W]."""
        rise, _h = self._at_rest(power_W, draught)
        at = [rise[cell] for cell in self.product.sensed.values()]
        return -np.diff(np.append(at, 0.0)) / power_W

    def run(
        self,
        t_s: Array,
        power_W: Array,
        ambient_K: Array,
        draught: Callable[[float], float] = lambda t: 1.0,
    ) -> Array:
        """Rise (n, sensed) above the first ambient [K]; power held from each time to the next."""
        cells = list(self.product.sensed.values())
        seen, rest = self._V[cells], self._rest[cells]
        x = np.zeros(len(self._rate))
        rows = np.empty((len(t_s), len(cells)))
        step = np.diff(t_s, append=t_s[-1] + 1.0)
        decay = gain = self._rate
        last = np.nan
        for i, length in enumerate(step):
            rows[i] = seen @ x + rest * power_W[i]
            if length != last:
                decay = np.exp(-self._rate * length)
                gain, last = -np.expm1(-self._rate * length) / self._rate, length
            above = self._mean_case @ x - ambient_K[i]
            more = self.coefficient(above, draught(t_s[i])) / self._h - 1
            force = self._drive * power_W[i] + self._by_ambient * ambient_K[i]
            force -= more * (self._loss @ x - self._by_ambient * ambient_K[i])
            x = decay * x + gain * force
        return rows


def coefficient(d: Dimensions, rise_K: float, ambient_degC: float) -> float:
    """Natural convection c |dT|^(1/4) and grey radiation [W/(m2 K)]."""
    cold, hot = ambient_degC + 273.15, ambient_degC + rise_K + 273.15
    radiation = d.emissivity * STEFAN_BOLTZMANN * (hot**2 + cold**2) * (hot + cold)
    return float(d.convection_W_per_m2K125 * abs(rise_K) ** 0.25 + radiation)
