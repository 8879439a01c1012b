"""Random products of two and three parts on one bar, and how well their pads are measured.

    python -m tests.benchmarks.random_trees [--trees 60] [--heat 180 1200] [--first 1000]
                                            [--together] [--list]

Each part: an island of copper with its vias (0.8-6 K/W) and its pad (0.3-3 K/W, in a third of them
with a screw beside it), coupled to its neighbours' boards by 8-120 K/W; a bar, a joint, a case that
loses heat by convection and radiation in drifting air. Every sensor has noise, 1/16 K steps in
half of the products, an offset of up to 1.5 K and a lag. The budget errs by 5 % in every
resistance and 30 % in every capacity. All parts on, then off one after another, `heat` seconds a
part; `--together`: all on and all off. The truth is the simulator's. All invented.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from bench.virtual.prototype import CaseSurface, Prototype, Sensor, read_sensor, simulate
from fit.budget.model import Budget
from fit.budget.read import budget_from
from fit.records.run import Array, Run

STEP_S = 0.5
SOAK_S = 120.0
PARTS = ("charger", "regulator", "driver")
BUDGET_ERROR = 0.05
CAPACITY_ERROR = 0.3


@dataclass(frozen=True)
class Tree:
    """One product: what it is, what its budget says of it."""

    prototype: Prototype
    budget: Budget
    power_W: Array  # (parts,)
    true_K_per_W: dict[tuple[str, str], float]  # of every span
    sensors: dict[str, Sensor]
    scan_s: float
    seed: int
    sources: tuple[str, ...]
    power_reads: Array  # (parts,) recorded over true
    fault: str = "none"
    where: str = ""  # the stage, node or source at fault


def _even(random: np.random.Generator, low: float, high: float) -> float:
    """Evenly in the logarithm."""
    return float(np.exp(random.uniform(np.log(low), np.log(high))))


FAULTS = ("pad", "vias", "sensor", "power", "sharing", "cooling")
KINDS = {
    "pad": "poor-contact",
    "vias": "high-resistance",
    "sensor": "sensor-placement",
    "power": "power-error",
    "sharing": "power-sharing",
    "cooling": "weak-cooling",
}


def random_tree(seed: int, fault: str = "none") -> Tree:
    """The product of a seed, sound or with one of FAULTS."""
    return _with_fault(_sound_tree(seed), fault) if fault != "none" else _sound_tree(seed)


def _with_fault(tree: Tree, fault: str) -> Tree:
    """One thing wrong, by enough to matter and at a place drawn by the product's seed."""
    random = np.random.default_rng([tree.seed, 2])
    prototype, parts = tree.prototype, len(tree.power_W)
    R, names = list(prototype.resistance_K_per_W), [s.name for s in tree.budget.stages]
    part, sign = int(random.integers(1, parts + 1)), random.choice([-1.0, 1.0])
    where, reads = "", tree.power_reads.copy()
    true, sensors = dict(tree.true_K_per_W), dict(tree.sensors)
    surface = prototype.surface
    if fault in ("pad", "vias"):
        where = f"{fault} {part}"
        if fault == "pad" and random.random() < 0.2:
            where = "joint"
        # Stages and links are in one order, but that the leaks come before the last.
        link = names.index(where)
        start, end = prototype.links[link]
        R[link] *= random.uniform(1.7, 4.0)
        beside = [r for r, pair in zip(R, prototype.links, strict=True) if pair == (start, end)]
        true[start, end] = 1 / sum(1 / r for r in beside)
    elif fault == "sensor":
        where = str(random.choice([n for n in prototype.nodes if n != "ambient"]))
        sensors[where] = replace(sensors[where], low_reading=float(random.uniform(0.1, 0.5)))
    elif fault == "power":
        reads = reads * (1 + sign * random.uniform(0.2, 0.35))
    elif fault == "sharing":
        where = tree.sources[part - 1]
        reads[part - 1] *= 1 + sign * random.uniform(0.15, 0.35)
    else:
        assert fault == "cooling"
        assert surface is not None
        where = "case to air"
        surface = CaseSurface(area_m2=surface.area_m2 * random.uniform(0.35, 0.6))
        power = float(tree.power_W.sum())
        true["case", "ambient"] = surface.resistance_K_per_W(power, 23.0)
    return replace(
        tree,
        prototype=replace(prototype, resistance_K_per_W=tuple(R), surface=surface, sensors=sensors),
        sensors=sensors,
        true_K_per_W=true,
        power_reads=reads,
        fault=fault,
        where=where,
    )


def _sound_tree(seed: int) -> Tree:
    random = np.random.default_rng(seed)
    parts = int(random.integers(2, 4))
    links: list[tuple[str, str]] = []
    R: list[float] = []
    C: dict[str, float] = {}
    stages: list[dict[str, object]] = []

    def join(name: str, start: str, end: str, value: float, contact: bool) -> None:
        links.append((start, end))
        R.append(value)
        stated = value / np.exp(BUDGET_ERROR * random.standard_normal())
        stages.append(
            {
                "name": name,
                "from": start,
                "to": end,
                "kind": "stated",
                "contact": contact,
                "R_K_per_W": stated,
                "R_u_K_per_W": BUDGET_ERROR * stated,
            }
        )

    for part in range(1, parts + 1):
        tab, back = f"tab_{part}", f"board_back_{part}"
        C[tab], C[back] = _even(random, 0.4, 3.0), _even(random, 2.0, 12.0)
        join(f"vias {part}", tab, back, _even(random, 0.8, 6.0), contact=False)
        pad = _even(random, 0.3, 3.0)
        join(f"pad {part}", back, "bar", pad, contact=True)
        if random.random() < 1 / 3:
            join(f"screw {part}", back, "bar", pad * _even(random, 2.0, 10.0), contact=False)
    C["bar"], C["case"] = _even(random, 15.0, 80.0), _even(random, 200.0, 900.0)
    join("joint", "bar", "case", _even(random, 0.25, 1.5), contact=True)
    surface = CaseSurface(area_m2=1 / (9.5 * _even(random, 2.0, 5.0)))
    power = np.array([_even(random, 1.5, 5.0) for _ in range(parts)])
    air = surface.resistance_K_per_W(float(power.sum()), 23.0)
    leaks = []
    for one in range(1, parts + 1):
        for other in range(one + 1, parts + 1):
            links.append((f"board_back_{one}", f"board_back_{other}"))
            R.append(_even(random, 8.0, 120.0))
            if random.random() < 0.5:
                stated = _even(random, 12.0, 60.0)
                leaks.append(
                    {
                        "node": links[-1][0],
                        "to": links[-1][1],
                        "R_K_per_W": stated,
                        "R_u_K_per_W": 0.6 * stated,
                    }
                )
    join("case to air", "case", "ambient", air, contact=False)
    nodes = (*C, "ambient")
    true: dict[tuple[str, str], float] = {}
    for link, value in zip(links, R, strict=True):
        true[link] = 1 / (1 / true[link] + 1 / value) if link in true else value
    for stage in stages:
        start = str(stage["from"])
        if start not in {str(s["from"]) for s in stages[: stages.index(stage)]}:
            stage["C_J_per_K"] = C[start] * np.exp(CAPACITY_ERROR * random.standard_normal())
    noise, quantum = _even(random, 0.01, 0.08), float(random.choice([0.0, 0.0625]))
    sensors = {
        node: Sensor(
            offset_K=float(random.uniform(-1.5, 1.5)),
            noise_K=noise,
            lag_s=float(random.uniform(0.0, 3.0)),
            quantum_K=quantum,
        )
        for node in nodes
    }
    swing, period = random.uniform(0, 0.6), random.uniform(900, 5000)
    document = {
        "schema": 1,
        "title": "invented",
        "conditions": {"ambient_degC": 23.0},
        "source": [
            {"name": PARTS[part], "node": f"tab_{part + 1}", "power_W": float(power[part])}
            for part in range(parts)
        ],
        "stage": stages,
        "leak": leaks,
    }
    return Tree(
        prototype=Prototype(
            nodes=nodes,
            resistance_K_per_W=tuple(R),
            capacity_J_per_K=tuple(C.values()),
            surface=surface,
            sensors=sensors,
            ambient_degC=lambda t: 23.0 + swing * np.sin(2 * np.pi * t / period),
            links=tuple(links),
            sources=tuple(f"tab_{part}" for part in range(1, parts + 1)),
        ),
        budget=budget_from(document, Path(f"tree-{seed}.toml")),
        power_W=power,
        true_K_per_W=true,
        sensors=sensors,
        scan_s=float(random.choice([0.5, 1.0, 2.0])),
        seed=seed,
        sources=PARTS[:parts],
        power_reads=np.ones(parts),
    )


def record(tree: Tree, heat_s: float, together: bool = False) -> Run:
    """A heat run of a product: all on, then off one after another, heat_s [s] a part."""
    parts = len(tree.power_W)
    off_s = np.full(parts, heat_s * parts) if together else heat_s * np.arange(1, parts + 1)
    t_s, power = sequence(tree, off_s)
    return read_off(tree, t_s, power, simulate(tree.prototype, t_s, power))


def sequence(tree: Tree, off_s: Array, cool_s: float = 0.0) -> tuple[Array, Array]:
    """Times (n,) [s] and the power of each part (n, parts) [W].

    Args:
        tree: the product.
        off_s: until when each part is on (parts,) [s after the soak].
        cool_s: then with all of them off [s].
    """
    fine = round(tree.scan_s / STEP_S)
    length = SOAK_S + off_s.max() + cool_s
    t_s = STEP_S * np.arange(int(length / STEP_S) // fine * fine + 1)
    heated = t_s[:, None] - SOAK_S
    on = (heated >= 0) & (heated < off_s)
    return t_s, np.where(on, tree.power_W, 0.0)


def read_off(tree: Tree, t_s: Array, power_W: Array, true_degC: Mapping[str, Array]) -> Run:
    """What its sensors make of the true temperatures, scan by scan."""
    random = np.random.default_rng([tree.seed, 1])
    fine = round(tree.scan_s / STEP_S)
    nodes = tuple(node for node in tree.prototype.nodes if node in tree.sensors)
    air = true_degC["ambient"]
    readings = np.column_stack(
        [read_sensor(tree.sensors[n], t_s, true_degC[n], air, random)[::fine] for n in nodes]
    )
    each = power_W[::fine] * tree.power_reads
    return Run(
        Path(f"tree-{tree.seed}"),
        f"tree-{tree.seed}",
        nodes,
        t_s[::fine],
        readings,
        each.sum(axis=1),
        sources=tree.sources,
        source_power=each,
    )


def main() -> None:
    """Measure many products and print how well."""
    from fit.measurement.branches import measure_branches

    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--trees", type=int, default=60)
    parser.add_argument("--heat", type=float, nargs="*", default=[180.0, 1200.0])
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--together", action="store_true")
    parser.add_argument("--list", action="store_true", help="print what is far out")
    arguments = parser.parse_args()
    for heat_s in arguments.heat:
        rows = []
        for seed in range(arguments.first, arguments.first + arguments.trees):
            tree = random_tree(seed)
            run = record(tree, heat_s, arguments.together)
            spans = measure_branches(run, tree.budget).spans
            u = np.sqrt(np.diag(spans.total_covariance))
            for i, link in enumerate(spans.topology.links):
                true = tree.true_K_per_W[link]
                kind = {"tab": 0, "boa": 1, "bar": 2, "cas": 3}[link[0][:3]]
                error = spans.R_K_per_W[i] / true - 1
                rows.append((seed, kind, true, error, u[i] / true, spans.resolved[i]))
                if arguments.list and abs(error) > 2.5 * u[i] / true:
                    print(seed, link, f"{true:.3g} off by {100 * error:.2f} %,", end=" ")
                    print(f"u {100 * u[i] / true:.2f} %")
        table = np.array(rows, dtype=float)
        print(f"{arguments.trees} products, {heat_s:g} s a part")
        for kind, name in enumerate(("vias", "pads", "joint", "case to air")):
            of = table[table[:, 1] == kind]
            claimed = of[of[:, 5] > 0]
            error, u = 100 * np.abs(claimed[:, 3]), 100 * claimed[:, 4]
            if not len(claimed):
                print(f"  {name:12} none of {len(of)} resolved")
                continue
            print(
                f"  {name:12} {len(claimed)} of {len(of)} resolved; error median"
                f" {np.median(error):.3f} %, 95th {np.percentile(error, 95):.2f} %; 95 % intervals"
                f" hold {100 * np.mean(error <= 1.96 * u):.1f} %; rms error / u"
                f" {np.sqrt(np.mean((error / u) ** 2)):.2f}"
            )


if __name__ == "__main__":
    main()
