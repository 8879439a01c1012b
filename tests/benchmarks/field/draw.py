"""Random products, sound or with one fault, and what a bench records of them. All invented."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from bench.virtual.prototype import Sensor, read_sensor
from tests.benchmarks.field.dynamics import Warming
from tests.benchmarks.field.product import NODES, Dimensions, build

Array = Any
SOAK_S, HEAT_S = 120.0, 7200.0
FAULTS = ("patch", "wedge", "joint", "vias", "thermocouple", "power", "cooling")
CAUSE = {
    "patch": ("poor-contact", "pad"),
    "wedge": ("poor-contact", "pad"),
    "joint": ("poor-contact", "bar to case"),
    "vias": ("high-resistance", "via array"),
    "power": ("power-error", "power"),
    "cooling": ("weak-cooling", "case to air"),
}
STAGES = ("via array", "pad", "bar to case", "case to air")
CONTACT = ("pad", "bar to case")
BUDGET_U = (0.10, 0.12, 0.12, 0.08)  # relative, of each stage
LIMIT = 1.25
MATCH_U, POWER_U = 0.005, 0.005


@dataclass(frozen=True, eq=False)
class Rig:
    """A product with its record and what is true of it."""

    seed: int
    fault: str
    cause: tuple[str, str] | None
    t_s: Array
    reading_degC: Array  # (n, 5) of NODES and the ambient
    power_W: Array  # as recorded
    still_K_per_W: Array  # (4,) per watt truly given, case to ambient last, in still air
    draughty_K_per_W: Array  # (4,) once the draught has begun
    draught_s: float
    predicted_K_per_W: Array  # (4,)
    capacity_J_per_K: Array  # (4,) by measured node, as budgeted
    ambient_degC: float

    def true_K_per_W(self, heat_s: float) -> Array:
        """The true spans at the end of so much heating (4,) [K/W]."""
        begun = self.draught_s < SOAK_S + heat_s
        return self.draughty_K_per_W if begun else self.still_K_per_W

    def write(self, folder: Path, heat_s: float) -> tuple[Path, Path]:
        """A run folder with the record up to heat_s [s] of heating, and its budget."""
        rows = self.t_s <= SOAK_S + heat_s
        table = np.column_stack((self.t_s, self.reading_degC, self.power_W))[rows]
        header = ",".join(("t_s", *(f"{node}_degC" for node in (*NODES, "ambient")), "power_W"))
        run, budget = folder / f"after_{heat_s:.0f}", folder / "budget.toml"
        run.mkdir()
        channels = [{"node": node, "match_u": MATCH_U} for node in NODES]
        stated = {"channel": channels, "power": {"u_relative": POWER_U}}
        document = {"schema": "heatrun.run/1", "label": f"field {self.seed}", "rig": stated}
        (run / "run.json").write_text(json.dumps(document), encoding="utf-8")
        form = {"fmt": "%.4f", "delimiter": ",", "header": header, "comments": ""}
        np.savetxt(run / "readings.csv", table, **form)
        budget.write_text(self._budget(), encoding="utf-8")
        return run, budget

    def _budget(self) -> str:
        lines = [
            'schema = 1\ntitle = "a field, invented"\n[conditions]',
            f"power_W = {self.power_W.max():.5f}\nambient_degC = {self.ambient_degC:.2f}",
        ]
        nodes = (*NODES, "ambient")
        for i, name in enumerate(STAGES):
            R = self.predicted_K_per_W[i]
            lines.append(
                f'[[stage]]\nname = "{name}"\nfrom = "{nodes[i]}"\nto = "{nodes[i + 1]}"\n'
                f'kind = "stated"\ncontact = {str(name in CONTACT).lower()}\n'
                f"R_K_per_W = {R:.6f}\nR_u_K_per_W = {BUDGET_U[i] * R:.6f}\n"
                f"C_J_per_K = {self.capacity_J_per_K[i]:.3f}"
            )
        return "\n".join(lines) + "\n"


def random_rig(seed: int, fault: str = "none") -> Rig:
    """The product of a seed, with one fault or none."""
    random = np.random.default_rng([seed, 17])
    sound = _dimensions(random)
    ambient = float(random.uniform(18, 28))
    power = float(random.uniform(22, 40) * sound.case_m2 * 9.0)
    size = float(random.uniform(0.0, 1.0))
    places = int(random.integers(2**31))
    truth = Warming(build(sound, np.random.default_rng(places)), power, ambient)
    sound_K_per_W = truth.resistances(power)
    predicted = sound_K_per_W / _sound_scatter(random)
    faulty = _with_fault(sound, fault, size)
    if faulty != sound:
        truth = Warming(build(faulty, np.random.default_rng(places)), power, ambient)
    draught_s, draught = _draught(random)
    scan = float(random.choice([1.0, 2.0]))
    t_s = np.arange(0.0, SOAK_S + HEAT_S, scan)
    drift = _drift(random, t_s)
    on = t_s >= SOAK_S
    rise = truth.run(t_s, power * on, drift, lambda t: draught if t > draught_s else 1.0)
    true = np.column_stack((rise, drift)) + ambient
    node = str(random.choice(NODES))
    loose = {node: 0.05 + 0.35 * size} if fault == "thermocouple" else {}
    reading = _read(random, t_s, true, loose)
    reads = 1.0 + (0.08 + 0.12 * size) * random.choice((-1, 1)) if fault == "power" else 1.0
    cause = ("sensor-placement", node) if fault == "thermocouple" else CAUSE.get(fault)
    return Rig(
        seed,
        fault,
        cause,
        t_s,
        reading,
        power * reads * (1 + POWER_U * random.standard_normal()) * on,
        truth.resistances(power),
        truth.resistances(power, draught),
        draught_s,
        predicted,
        _capacities(sound) * np.exp(0.2 * random.standard_normal(4)),
        ambient,
    )


def _dimensions(random: np.random.Generator) -> Dimensions:
    def between(low: float, high: float) -> float:
        return float(np.exp(random.uniform(np.log(low), np.log(high))))

    board = (between(36, 110), between(28, 80))
    cell = 1.25 if board[0] * board[1] < 2000 else 2.0
    pad = (between(12, 24), between(10, 18))
    width = between(max(12.0, pad[1]), 28.0)
    return Dimensions(
        cell_mm=cell,
        board_mm=board,
        foil_um=float(random.choice([35.0, 70.0, 105.0])),
        plane_um=float(random.choice([18.0, 35.0, 70.0])),
        island_mm=(between(10, 22), between(10, 18)),
        tab_mm=(between(5, 10), between(5, 10)),
        tab_J_per_K=between(0.2, 1.2),
        junction_K_per_W=between(0.5, 2.0),
        vias=int(random.integers(10, 45)),
        via_K_per_W=between(60, 200),
        pad_mm=pad,
        pad_K_mm2_per_W=between(100, 500),
        bar_mm=(between(max(40.0, pad[0] + 20), 90), width),
        bar_thickness_mm=between(3, 10),
        foot_mm=between(10, 18),
        joint_K_mm2_per_W=between(30, 250),
        case_m2=between(0.015, 0.06),
        case_thickness_mm=between(1.2, 3.5),
        emissivity=float(random.uniform(0.2, 0.9)),
        convection_W_per_m2K125=float(random.uniform(1.4, 2.0)),
        inner_W_per_m2K=between(3, 9),
        sensed=(0.5, float(random.uniform(0.3, 0.7)), float(random.uniform(0.1, 0.4)),
                float(random.uniform(0.0, 0.5))),
    )  # fmt: skip


def _sound_scatter(random: np.random.Generator) -> Array:
    """True over predicted of a sound product: within its limits."""
    while True:
        scatter = 1 + np.array(BUDGET_U) * random.standard_normal(4)
        if np.all(scatter < 0.97 * LIMIT) and np.all(scatter > 0.6):
            return scatter


def _with_fault(d: Dimensions, fault: str, size: float) -> Dimensions:
    if fault == "patch":
        return replace(d, pad_open=0.3 + 0.35 * size)
    if fault == "wedge":
        return replace(d, pad_wedge=1.5 + 4 * size)
    if fault == "joint":
        return replace(d, joint_K_mm2_per_W=d.joint_K_mm2_per_W * (3 + 5 * size))
    if fault == "vias":
        return replace(d, vias=max(4, round(d.vias * (0.5 - 0.25 * size))))
    if fault == "cooling":
        weak = 0.65 - 0.3 * size
        return replace(d, convection_W_per_m2K125=d.convection_W_per_m2K125 * weak,
                       emissivity=d.emissivity * weak)  # fmt: skip
    return d


def _capacities(d: Dimensions) -> Array:
    """Heat capacity by measured node (4,) [J/K], as a drawing gives it."""
    board = d.board_mm[0] * d.board_mm[1] * 1e-6
    copper = 3.45e6 * 1e-6 * (0.3 * d.foil_um + 0.7 * d.plane_um)
    bar = 2.43e6 * d.bar_mm[0] * d.bar_mm[1] * d.bar_thickness_mm * 1e-9
    case = 2.43e6 * d.case_m2 * d.case_thickness_mm * 1e-3
    return np.array([d.tab_J_per_K, board * (copper + 1.9e6 * 1.6e-3), bar, case])


def _drift(random: np.random.Generator, t_s: Array) -> Array:
    slope, phase = random.uniform(-0.5, 0.5) / 3600, random.uniform(0, 2 * np.pi)
    wave = random.uniform(0, 0.4)
    return slope * t_s + wave * (np.sin(2 * np.pi * t_s / 2400 + phase) - np.sin(phase))


def _draught(random: np.random.Generator) -> tuple[float, float]:
    """When a draught begins [s], and the factor on the heat given off."""
    if random.random() < 0.7:
        return np.inf, 1.0
    return float(random.uniform(0, SOAK_S + 3600)), float(random.uniform(1.0, 1.2))


def _read(
    random: np.random.Generator, t_s: Array, true_degC: Array, loose: dict[str, float]
) -> Array:
    """What the readers say (n, 5) [degC]."""
    quantum = float(random.choice([0.0, 1 / 16]))
    columns: list[Array] = []
    ambient = true_degC[:, -1]
    for i, node in enumerate((*NODES, "ambient")):
        sensor = Sensor(
            offset_K=float(random.uniform(-1.5, 1.5)),
            noise_K=float(random.uniform(0.01, 0.05)),
            lag_s=float(random.uniform(0.5, 3.5)),
            quantum_K=quantum,
            low_reading=loose.get(node, MATCH_U * float(random.standard_normal())),
        )
        columns.append(read_sensor(sensor, t_s, true_degC[:, i], ambient, random))
    return np.column_stack(columns)


Draw = Callable[[int, str], Rig]
