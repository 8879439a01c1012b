"""Made power parts on a made bench: dies on solder or glue on copper, and what is read of them.

All invented. Materials by handbook values (from memory): silicon 100-140 W/(m K) and
1.66 MJ/(m³ K), solder 30-60 W/(m K), filled glue 1.5-10 W/(m K), copper and its alloys
170-390 W/(m K) and 3.45 MJ/(m³ K).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh_tridiagonal

from fit.measurement.junction_calibration import BOLTZMANN_V_PER_K, ZERO_degC_K
from fit.records.metadata import metadata_from
from fit.records.run import Run
from fit.records.vf_windows import VfWindows

Array = NDArray[np.float64]
SOAK_S, HEAT_S, COOL_S = 120.0, 1800.0, 900.0
R_RANGE_K_PER_W, TAU_RANGE_S = (1.0, 3.0), (5e-3, 50e-3)
# The tab's rise in the product: an invented charge controller on its bar and case.
OUTER_K_PER_W, OUTER_TAU_S = np.array([3.5, 1.5, 6.0]), np.array([6.0, 45.0, 1900.0])


@dataclass(frozen=True, eq=False)
class Part:
    """A junction on its tab: amplitudes of its rise above the tab."""

    R_K_per_W: Array  # (modes,)
    tau_s: Array  # (modes,)

    @property
    def total_K_per_W(self) -> float:
        """Junction to tab [K/W]."""
        return float(self.R_K_per_W.sum())

    def left(self, age_s: Array) -> Array:
        """Rise above the tab per watt, some time after the heating ended (n,) [K/W]."""
        return np.asarray(np.exp(-age_s[:, np.newaxis] / self.tau_s) @ self.R_K_per_W)


@dataclass(frozen=True)
class Reading:
    """How it is read, and what is wrong with that."""

    first_s: float = 2e-4
    apart_s: float = 5e-5
    window_s: float = 5e-3
    noise_V: float = 1e-4
    step_V: float = 6e-5
    gain: float = 0.0  # of the tab's thermocouple, relative
    offset_K: float = 0.0
    lag_s: float = 1.5
    noise_K: float = 0.04
    step_K: float = 0.0625
    power_error: float = 0.0  # relative
    K_V_per_K: float = 2.0e-3
    curvature: float = 3.0
    every_s: float = 5.0
    match_u: float = 0.004
    power_u: float = 0.005
    cool_s: float = COOL_S


def draw_part(random: np.random.Generator) -> Part:
    """A part of 1-3 K/W and 5-50 ms."""
    while True:
        die_m2 = float(np.exp(random.uniform(np.log(2e-6), np.log(20e-6))))
        die_m, glue_m = random.uniform(0.2e-3, 0.4e-3), random.uniform(20e-6, 60e-6)
        glue = random.uniform(30, 60) if random.random() < 0.5 else random.uniform(1.5, 10)
        copper_m, spread = random.uniform(0.4e-3, 2.5e-3), random.uniform(1.3, 6)
        layers = (
            (die_m, random.uniform(100, 140), 1.66e6, 1.0, np.geomspace(1, 20, 40)),
            (glue_m, glue, 2e6, 1.0, np.ones(4)),
            (
                copper_m,
                random.choice([390.0, 260.0, 170.0]),
                3.45e6,
                spread,
                np.geomspace(1, 10, 30),
            ),
        )
        part = _stack(layers, die_m2)
        low, high = R_RANGE_K_PER_W
        if not low <= part.total_K_per_W <= high:
            continue
        if TAU_RANGE_S[0] <= part.tau_s.max() <= TAU_RANGE_S[1]:
            return part


def lump(R_K_per_W: float, tau_s: float) -> Part:
    """A part that is one lump: the worst that the square root of time can meet."""
    return Part(np.array([R_K_per_W]), np.array([tau_s]))


def _stack(layers: tuple[tuple[float, float, float, float, Array], ...], area_m2: float) -> Part:
    """Layers (thickness, conductivity, heat by volume, spread, cells) on the tab."""
    R: list[float] = []
    C: list[float] = []
    for thickness, conductivity, heat, spread, cells in layers:
        width = cells / cells.sum() * thickness
        middle = np.cumsum(width) - width / 2
        area = area_m2 * (1 + (spread - 1) * middle / thickness)
        R += list(width / (conductivity * area))
        C += list(width * area * heat)
    half = np.array(C) / 2
    capacity = np.append(half, 0.0)[:-1] + np.append(0.0, half[:-1])
    conductance = 1 / np.array(R)
    scale = 1 / np.sqrt(capacity)
    diagonal = (conductance + np.append(0.0, conductance[:-1])) * scale**2
    rate, mode = eigh_tridiagonal(diagonal, -conductance[:-1] * scale[:-1] * scale[1:])
    return Part((mode[0] * scale[0]) ** 2 / rate, 1 / rate)


def draw_reading(random: np.random.Generator) -> Reading:
    """A bench with errors such as benches have."""
    return Reading(
        first_s=random.choice([1e-4, 2e-4]),
        apart_s=random.choice([2e-5, 5e-5, 1e-4]),
        noise_V=random.uniform(3e-5, 3e-4),
        step_V=random.choice([1.5e-5, 6e-5, 2.4e-4]),
        gain=0.004 * random.standard_normal(),
        offset_K=random.normal(0, 0.6),
        lag_s=random.uniform(0, 3),
        noise_K=random.uniform(0.02, 0.08),
        step_K=random.choice([0.0, 0.0625, 0.1]),
        power_error=0.005 * random.standard_normal(),
        K_V_per_K=random.uniform(1.7e-3, 2.3e-3),
        curvature=random.normal(3, 1),
    )


def voltage(reading: Reading, degC: Array) -> Array:
    """Forward voltage (n,) [V] of a silicon junction at degC (n,)."""
    T, at = degC + ZERO_degC_K, 300.0
    bend = BOLTZMANN_V_PER_K * (T * np.log(T / at) - (T - at))
    return np.asarray(0.65 - reading.K_V_per_K * (T - at) - reading.curvature * bend)


def made_run(
    part: Part, reading: Reading, random: np.random.Generator, power_W: float = 4.2
) -> Run:
    """The record of a heat run of a part in a product.

    Args:
        part: the junction on its tab.
        reading: how it is read.
        random: of noise.
        power_W: that truly flows [W].
    """
    off_s = SOAK_S + HEAT_S
    scan_s = np.arange(0.0, off_s + reading.cool_s + 0.5, 1.0)
    outer = _outer_degC(scan_s, power_W, reading.lag_s)
    true_tab = outer[:, 0]
    seen = 23.0 + (true_tab - 23.0) * (1 + reading.gain) + reading.offset_K
    case = outer[:, 1]
    columns = [seen, case, np.full_like(case, 23.0)]
    readings = [
        column + reading.noise_K * random.standard_normal(len(column)) for column in columns
    ]
    if reading.step_K:
        readings = [np.round(column / reading.step_K) * reading.step_K for column in readings]
    on = (scan_s >= SOAK_S) & (scan_s < off_s)
    u = {"match_u": reading.match_u}
    document = {
        "sensors": dict.fromkeys(("tab", "case", "ambient"), u),
        "rig": {"power": {"u_relative": reading.power_u}},
    }
    return Run(
        path=Path("made"),
        label="made",
        nodes=("tab", "case", "ambient"),
        t_s=scan_s,
        temperature_degC=np.column_stack(readings),
        power=np.where(on, power_W * (1 + reading.power_error), 0.0),
        metadata=metadata_from(document, Path("run.json")),
        vf_windows=_windows(part, reading, random, power_W),
    )


def _windows(
    part: Part, reading: Reading, random: np.random.Generator, power_W: float
) -> VfWindows:
    off_s = SOAK_S + HEAT_S
    opened = np.arange(2.3, off_s + reading.cool_s - 1, reading.every_s)
    tab = _outer_degC(opened, power_W, 0.0)[:, 0]
    heated = (opened > SOAK_S) & (opened < off_s)
    above = np.where(heated, power_W * part.total_K_per_W, 0.0)
    return made_windows("junction", part, reading, random, (opened, tab, above))


def made_windows(
    node: str,
    part: Part,
    reading: Reading,
    random: np.random.Generator,
    truth: tuple[Array, Array, Array],
) -> VfWindows:
    """The windows of a junction.

    Args:
        node: the junction's.
        part: the junction on its tab.
        reading: how it is read.
        random: of noise.
        truth: of each window when it opened, the tab's temperature there, and by how much the
            junction was above it: zero where it was not heated (w,) each.
    """
    opened, tab_degC, above_K = truth
    age = np.arange(reading.first_s, reading.window_s + 1e-9, reading.apart_s)
    # While it cools nothing is left of it but in the first tenth of a second.
    above = np.multiply.outer(above_K, part.left(age) / part.total_K_per_W)
    V = voltage(reading, (tab_degC[:, np.newaxis] + above).ravel())
    V = V + reading.noise_V * random.standard_normal(len(V))
    if reading.step_V:
        V = np.round(V / reading.step_V) * reading.step_V
    return VfWindows(node, np.repeat(opened, len(age)), np.tile(age, len(opened)), V)


def _outer_degC(t_s: Array, power_W: float, lag_s: float) -> Array:
    """Tab and case (n, 2) [degC], the tab's as a bead with a lag follows it."""

    def rise(since: Array) -> Array:
        since = np.maximum(since, 0.0)[:, np.newaxis]
        seen = -np.expm1(-since / OUTER_TAU_S)
        if lag_s > 0:  # of two first-order stages in series
            own = -np.expm1(-since / lag_s)
            seen = (OUTER_TAU_S * seen - lag_s * own) / (OUTER_TAU_S - lag_s)
        return np.asarray(seen * OUTER_K_PER_W)

    up, down = rise(t_s - SOAK_S), rise(t_s - SOAK_S - HEAT_S)
    whole = power_W * (up - down)
    return np.column_stack([23.0 + whole.sum(axis=1), 23.0 + whole[:, 2]])
