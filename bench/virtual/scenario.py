"""prototype.toml: a virtual prototype, its sensors, its supply, and the faults it can have."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

import numpy as np

from bench.virtual.junction import VirtualJunction
from bench.virtual.prototype import CaseSurface, Prototype, Sensor
from fit.errors import InputError
from fit.network.topology import Link
from fit.records.plain_file import read_tables

NONE = "none"
MALFORMED = (KeyError, IndexError, TypeError, ValueError, AttributeError, ArithmeticError)
"""What a table that lacks a key, or has another kind of value there, leads to."""


@dataclass(frozen=True)
class Feed:
    """What a supply feeds: the resistor of one source, and how its current is read."""

    supply: str
    load_ohm: float
    reads_A_times: float = 1.0


@dataclass(frozen=True)
class Unit:
    """One virtual prototype as made: its truth, which the logger never sees."""

    prototype: Prototype
    stages: tuple[str, ...]  # names of its stages, in order; leaks have none
    feeds: tuple[Feed, ...]  # in the order of the prototype's sources
    fault: str
    seed: int
    junction: VirtualJunction | None = None  # whose forward voltage is read

    def truth(self, power_W: float) -> dict[str, float]:
        """Resistance of every stage by its name [K/W], the last at that power of all [W]."""
        return {stage: R for stage, (_, R) in self.ways(power_W).items()}

    def ways(self, power_W: float) -> dict[str, tuple[Link, float]]:
        """Every stage by its name: its ends and its resistance [K/W], the last at that power."""
        prototype = self.prototype
        values = list(prototype.resistance_K_per_W)
        if prototype.surface is not None:
            heat = power_W * prototype.path_fraction
            values[-1] = prototype.surface.resistance_K_per_W(heat, prototype.ambient_degC(0.0))
        links = prototype.topology.links
        # Leaks stand before the last link, which is the surface where there is one.
        own = [*range(len(self.stages) - 1), len(links) - 1]
        return {
            stage: (links[link], float(values[link]))
            for stage, link in zip(self.stages, own, strict=True)
        }


def read_scenario(path: Path | Traversable) -> dict[str, Any]:
    """The tables of a prototype.toml. Raises InputError when it is not there or not TOML."""
    if isinstance(path, Path):
        return read_tables(path, InputError, "a prototype.toml")
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(str(path), "", f"cannot be read ({error})", "a prototype.toml") from None


def read_unit(path: Path | Traversable, fault: str = NONE, seed: int = 1) -> Unit:
    """One unit of a prototype.toml, see `make_unit`.

    Raises:
        InputError: no such file, no such fault, or what is there makes no prototype.
    """
    scenario = read_scenario(path)
    try:
        return make_unit(scenario, fault, seed)
    except MALFORMED as error:
        what = f"has no {error}" if isinstance(error, KeyError) else f"{error}"
        raise InputError(
            str(path), "", f"makes no prototype: {what}", "compare it with heatrun's own"
        ) from None


def make_unit(scenario: dict[str, Any], fault: str = NONE, seed: int = 1) -> Unit:
    """One unit of the scenario: the seed varies it from unit to unit, the fault is always the same.

    Args:
        scenario: tables of prototype.toml.
        fault: a name under [fault].
        seed: of the unit's deviations and its sensors' offsets.

    Raises:
        InputError: no such fault.
    """
    faults = scenario.get("fault", {})
    if fault not in faults:
        raise InputError("--fault", "", f"no fault '{fault}'", "one of " + ", ".join(faults))
    change = faults[fault]
    random = np.random.default_rng(seed)
    stages = scenario["stage"]
    spread = 1 + scenario["unit_to_unit"] * random.standard_normal(len(stages)).clip(-2, 2)
    factor = change.get("R_times", {})
    # Without its own resistance the last stage is the surface; the ladder wants a number there.
    resistance = tuple(
        stage.get("R_K_per_W", 1.0) * one * factor.get(stage["name"], 1.0)
        for stage, one in zip(stages, map(float, spread), strict=True)
    )
    leaks = scenario.get("leak", [])
    sources = scenario.get("source", [])
    start = {stage["from"]: stage["C_J_per_K"] for stage in reversed(stages)}
    starts = tuple(dict.fromkeys(stage["from"] for stage in stages))
    nodes = (*starts, stages[-1]["to"])
    resistance = (*resistance[:-1], *(leak["R_K_per_W"] for leak in leaks), resistance[-1])
    ends = [(one["from"], one["to"]) for one in stages]
    crossing = [(one["node"], one["to"]) for one in leaks]
    # A source of its own has its sensor; the junction at the head of a chain is out of reach, and
    # so is one that is read by its forward voltage.
    read = scenario.get("junction", {}).get("node")
    seen = tuple(node for node in (nodes if sources else nodes[1:]) if node != read)
    prototype = Prototype(
        nodes=nodes,
        resistance_K_per_W=resistance,
        capacity_J_per_K=tuple(start[node] for node in starts),
        surface=_surface(stages[-1], float(spread[-1])),
        path_fraction=scenario["path_fraction"],
        sensors=_sensors(scenario["sensor"], seen, change.get("misses", {}), random),
        ambient_degC=_ambient(scenario["ambient"], float(random.uniform(0, 2 * math.pi))),
        links=(*ends[:-1], *crossing, ends[-1]),
        sources=tuple(source["node"] for source in sources),
    )
    return Unit(
        prototype,
        tuple(stage["name"] for stage in stages),
        _feeds(scenario, change.get("reads_A_times", 1.0)),
        fault,
        seed,
        VirtualJunction(**scenario["junction"]) if "junction" in scenario else None,
    )


def _feeds(scenario: dict[str, Any], reads_A_times: float | dict[str, float]) -> tuple[Feed, ...]:
    """The supplies: of every source its own, else the only one; all read alike, or one by one."""
    blocks = scenario.get("source")
    if not blocks:
        return (Feed("supply", scenario["load_ohm"], float(reads_A_times)),)  # type: ignore[arg-type]
    each = reads_A_times if isinstance(reads_A_times, dict) else {}
    common = 1.0 if isinstance(reads_A_times, dict) else reads_A_times
    return tuple(
        Feed(one["supply"], one["load_ohm"], each.get(one["name"], common)) for one in blocks
    )


def _surface(stage: dict[str, Any], spread: float) -> CaseSurface | None:
    surface = stage.get("surface")
    if surface is None:
        return None
    return CaseSurface(**{**surface, "area_m2": surface["area_m2"] / spread})


def _sensors(
    kind: dict[str, float],
    nodes: tuple[str, ...],
    misses: dict[str, float],
    random: np.random.Generator,
) -> dict[str, Sensor]:
    """A thermocouple on each of the nodes."""
    return {
        node: Sensor(
            offset_K=kind["offset_K"] * max(-2.0, min(2.0, random.standard_normal())),
            noise_K=kind["noise_K"],
            lag_s=kind["lag_s"],
            quantum_K=kind["quantum_K"],
            low_reading=misses.get(node, 0.0),
        )
        for node in nodes
    }


def _ambient(room: dict[str, float], phase: float) -> Any:
    def ambient_degC(t_s: float) -> float:
        turn = 2 * math.pi * t_s / room["swing_s"] + phase
        return room["degC"] + room["swing_K"] * (math.sin(turn) - math.sin(phase))

    return ambient_degC
