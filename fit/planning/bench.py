"""The bench a run is planned on: which nodes it measures, how often, how long, how well."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from fit.budget.model import Budget
from fit.errors import RigError
from fit.planning.forward_voltage import FIRST_S, NOISE_V, ForwardVoltage
from fit.records.metadata import RunMetadata, metadata_from
from fit.records.plain_file import read_tables

# Where nobody states anything, of thermocouples on a reader of 8 or 16 channels (common practice):
NOISE_K = 0.05  # scan to scan, standard deviation
STEP_K = 0.0625  # of the readings: 1/16 K, as converter chips have it
MATCH_U = 0.004  # IEC 60584-1 class 1: 0.4 % of the temperature
POWER_U = 0.005  # a supply's own meters
INTERVAL_S, SOAK_S, HEAT_S = 2.0, 120.0, 7200.0  # of the rig that `heatrun new` writes
JUNCTIONS = ("junction", "die", "chip")  # names of nodes that no bead reaches


@dataclass(frozen=True)
class Bench:
    """What is known of the measurement beforehand; see `typical_bench` and `read_bench`."""

    nodes: tuple[str, ...]  # measured, in order of the heat path
    interval_s: float = INTERVAL_S
    soak_s: float = SOAK_S
    heat_s: float = HEAT_S
    power_W: float | None = None  # electrical; the budget's own when None
    noise_K: float = NOISE_K  # scan to scan, standard deviation
    step_K: float = STEP_K  # of the readings, 0 for none
    power_u: float = 0.0  # relative standard uncertainty of the power
    match_u: Mapping[str, float] = field(default_factory=dict)  # the same of each node's rise
    lag_s: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """Node -> time constant of its sensor and the standard uncertainty of that [s]; unknown where
    left out."""
    phases: tuple[tuple[frozenset[str], float], ...] = ()
    """Of several sources: which are on, and how long [s]."""
    remarks: tuple[str, ...] = ()  # what was assumed
    voltage: ForwardVoltage | None = None  # how the junction above the first node is read

    @property
    def reading_u_K(self) -> float:
        """Standard deviation of a single reading: noise and rounding [K]."""
        return float(np.hypot(self.noise_K, self.step_K / np.sqrt(12)))

    def heating_for(self, heat_s: float) -> Bench:
        """The same heating so long, its phases in proportion."""
        longer = heat_s / self.heat_s
        phases = tuple((on, longer * for_s) for on, for_s in self.phases)
        return replace(self, heat_s=heat_s, phases=phases)


def one_after_another(budget: Budget, heat_s: float) -> tuple[tuple[frozenset[str], float], ...]:
    """The phases that tell branches apart: all on, then off one after another, heat_s shared.

    Args:
        budget: whose sources.
        heat_s: of all phases [s].

    Returns:
        None where there is one source.
    """
    names = [source.name for source in budget.sources]
    if len(names) == 1:
        return ()
    return tuple((frozenset(names[i:]), heat_s / len(names)) for i in range(len(names)))


def typical_bench(budget: Budget) -> Bench:
    """A bench with a thermocouple on every node that one can be put on.

    Args:
        budget: whose nodes are measured, but for a junction at the source.
    """
    hidden = [source.node for source in budget.sources if source.node.startswith(JUNCTIONS)]
    nodes = tuple(node for node in budget.nodes if node not in hidden)
    remarks = [
        "no rig given: a thermocouple on every node of the budget"
        + (f" but '{hidden[0]}', which no bead reaches" if hidden else "")
        + f"; typical values taken (common practice): a scan every {INTERVAL_S:g} s, soak"
        f" {SOAK_S:g} s, heat {HEAT_S:g} s, noise {NOISE_K:g} K, reading step {STEP_K:g} K, sensor"
        f" match {100 * MATCH_U:g} %, power {100 * POWER_U:g} %, lag unknown"
    ]
    match_u = dict.fromkeys(nodes, MATCH_U)
    phases = one_after_another(budget, HEAT_S)
    return Bench(nodes, power_u=POWER_U, match_u=match_u, phases=phases, remarks=tuple(remarks))


def read_bench(path: str | Path, budget: Budget) -> Bench:
    """What rig.toml says of the measurement; `heatrun log` checks the rest of it.

    Args:
        path: of rig.toml.
        budget: whose nodes and power are meant.

    Raises:
        RigError: a value that will not do, or fewer than two nodes of the budget measured.
    """
    path = Path(path)
    tables = read_tables(path, RigError, "'heatrun new DIR' writes one to start from")
    channels = tables.get("channel")
    if not isinstance(channels, list) or not all(isinstance(one, Mapping) for one in channels):
        raise RigError(path, "channel", "is missing", "at least two [[channel]] blocks")
    stated = metadata_from({"rig": tables}, path)
    # A junction's forward voltage is read in windows: its span is planned by itself.
    scanned = [one for one in channels if one.get("kind") != "forward_voltage"]
    on_path = [one for one in scanned if not one.get("off_path")]
    named = [str(one.get("node")) for one in on_path]
    nodes = tuple(node for node in budget.nodes if node in named)
    if len(nodes) < 2:
        raise RigError(
            path,
            "channel",
            f"{len(nodes)} of its nodes ({', '.join(named)}) is on the path "
            f"{' - '.join(budget.nodes)}",
            "name at least two nodes alike in budget and rig",
        )
    strange = [f"'{node}'" for node in named if node not in nodes]
    sequence, power = _table(tables, "sequence"), _table(tables, "power")
    lags = {str(one["node"]): _lag(path, one) for one in on_path if "lag_s" in one}
    remarks = [
        f"the rig states no noise: {NOISE_K:g} K and a reading step of {STEP_K:g} K taken (common"
        " practice)"
    ]
    if strange:
        remarks.append(f"measured, but no node of the budget, and left out: {', '.join(strange)}")
    if not stated.power_u:
        remarks.append("power accuracy not stated in the rig: taken as exact, as 'check' does")
    if silent := [node for node in nodes[:-1] if node not in stated.match_u]:
        remarks.append(f"sensor match not stated: {', '.join(silent)} taken as exact")
    heat_s = _number(path, "sequence: heat_s", sequence.get("heat_s", HEAT_S))
    phases = _phases(path, budget, sequence, heat_s)
    return Bench(
        nodes=nodes,
        interval_s=_number(path, "sequence: interval_s", sequence.get("interval_s", 1.0)),
        soak_s=_number(path, "sequence: soak_s", sequence.get("soak_s", SOAK_S), least=0.0),
        heat_s=sum(for_s for _, for_s in phases) or heat_s,
        phases=phases,
        power_W=_number(path, "power: power_W", power["power_W"]) if "power_W" in power else None,
        power_u=stated.power_u,
        match_u=stated.match_u,
        lag_s=lags,
        remarks=tuple(remarks),
        voltage=_voltage(path, channels, sequence, stated),
    )


def _voltage(
    path: Path,
    channels: Sequence[Mapping[str, Any]],
    sequence: Mapping[str, Any],
    stated: RunMetadata,
) -> ForwardVoltage | None:
    """How the rig reads a junction's forward voltage, if it does."""
    channel = next((one for one in channels if one.get("kind") == "forward_voltage"), None)
    if channel is None:
        return None
    node = str(channel.get("node"))
    place = f"channel '{node}'"
    first_us = _number(path, f"{place}: first_us", channel.get("first_us", 1e6 * FIRST_S))
    noise_mV = _number(path, f"{place}: noise_mV", channel.get("noise_mV", 1e3 * NOISE_V))
    return ForwardVoltage(
        node=node,
        cool_s=_number(path, "sequence: cool_s", sequence.get("cool_s", 0.0), least=0.0),
        points=stated.vf_points,
        first_s=1e-6 * first_us,
        noise_V=1e-3 * noise_mV,
        lags=stated.lags,
    )


def _phases(
    path: Path, budget: Budget, sequence: Mapping[str, Any], heat_s: float
) -> tuple[tuple[frozenset[str], float], ...]:
    """The phases of several sources, as stated, else one after another."""
    stated = sequence.get("phases")
    names = [source.name for source in budget.sources]
    if len(names) == 1 or not stated:
        return one_after_another(budget, heat_s)
    found = []
    for number, phase in enumerate(stated if isinstance(stated, list) else [stated], 1):
        place = f"sequence: phases: {number}"
        on = phase.get("on") if isinstance(phase, Mapping) else None
        if not isinstance(on, list) or not set(map(str, on)) <= set(names):
            remedy = f"on = a list of the budget's sources ({', '.join(names)})"
            raise RigError(path, f"{place}: on", f"{on!r} will not do", remedy)
        for_s = _number(path, f"{place}: for_s", phase.get("for_s"))
        found.append((frozenset(map(str, on)), for_s))
    return tuple(found)


def _lag(path: Path, channel: Mapping[str, Any]) -> tuple[float, float]:
    """Time constant of a channel's sensor and its uncertainty, exact where none is stated [s]."""
    place = f"channel '{channel.get('node')}': lag"
    lag_u = channel.get("lag_u_s", 0.0)
    return (
        _number(path, f"{place}_s", channel["lag_s"], least=0.0),
        _number(path, f"{place}_u_s", lag_u, least=0.0),
    )


def _table(tables: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    found = tables.get(name)
    return found if isinstance(found, Mapping) else {}


def _number(path: Path, place: str, value: object, least: float | None = None) -> float:
    good = isinstance(value, int | float) and not isinstance(value, bool)
    if good and (value > 0 if least is None else value >= least) and value < 1e8:  # type: ignore[operator]
        return float(value)  # type: ignore[arg-type]
    wanted = "a number above 0" if least is None else f"a number from {least:g}"
    raise RigError(path, place, f"{value!r} will not do", wanted)
