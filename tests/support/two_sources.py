"""A short heat run of two sources on the virtual bench of two parts (invented values)."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from bench.demo import make_demo_unit
from bench.rig.schema import Rig, rig_from
from bench.virtual.bench import FastClock, VirtualBench, open_bench
from bench.virtual.scenarios import SCENARIOS

SCENARIO = SCENARIOS["two-parts"]
SOURCES = ("charger", "regulator")
PORTS = {"reader": "/dev/reader", "supply_1": "/dev/supply-1", "supply_2": "/dev/supply-2"}
PHASES = [{"on": list(SOURCES), "for_s": 0.6}, {"on": ["regulator"], "for_s": 0.4}]


def two_source_tables(ports: Mapping[str, str] = PORTS, **changes: Any) -> dict[str, Any]:
    """rig.toml of the scenario with a short sequence; `changes` go into its tables."""
    made = tomllib.loads((SCENARIO / "rig.toml").read_text(encoding="utf-8"))
    for instrument in made["instrument"]:
        instrument.update(port=ports[instrument["name"]], reply_s=0.3)
        instrument.pop("limits", None)
    for source in made["source"]:
        del source["max_power_W"]
    made["sequence"] = {"interval_s": 0.05, "soak_s": 0.3, "phases": PHASES, "cool_s": 0.2}
    made["guard"] = {"silence_s": 8.0}
    for table, keys in changes.items():
        if isinstance(made[table], dict):
            made[table].update(keys)
        else:
            for one, more in zip(made[table], keys, strict=True):
                one.update(more)
    return made


def two_source_rig(ports: Mapping[str, str] = PORTS, **changes: Any) -> Rig:
    """The same as read."""
    return rig_from(two_source_tables(ports, **changes), "rig.toml")


@contextmanager
def two_part_bench(speed: float = 20.0) -> Iterator[VirtualBench]:
    """The virtual bench in this process, faster than life."""
    with open_bench(make_demo_unit("none", 1, SCENARIO), FastClock(speed)) as bench:
        yield bench
