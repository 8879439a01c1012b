"""Heat runs of the virtual prototype with a sensor that lies from some moment on (invented)."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from bench.acquisition.finish import LogResult
from bench.acquisition.run_loop import heat_run
from bench.clock import LockStepClock
from bench.demo import make_demo_unit
from bench.virtual.bench import VirtualBench, open_bench
from bench.virtual.reader import separated
from tests.support.bench_rigs import Watcher, short_rig

Lie = Callable[[dict[str, float]], dict[str, float]]
SOAK_S = 60.0
ON_S = SOAK_S  # when the power comes on


def frozen(*nodes: str) -> Lie:
    """They repeat their first value."""
    kept: dict[str, float] = {}

    def lie(true: dict[str, float]) -> dict[str, float]:
        for node in nodes:
            kept.setdefault(node, true[node])
        return true | kept

    return lie


def wavering(node: str) -> Lie:
    """A bead that hangs in the air: its first value and some noise."""
    noise = itertools.cycle((0.0, 0.12, -0.06, 0.19, -0.12))
    first: list[float] = []

    def lie(true: dict[str, float]) -> dict[str, float]:
        first.append(true[node])
        return true | {node: first[0] + next(noise)}

    return lie


def reads(node: str, value: float) -> Lie:
    """It reads that from now on; NaN is an open one."""
    return lambda true: true | {node: value}


def swapped(one: str, other: str) -> Lie:
    """Two changed places."""
    return lambda true: true | {one: true[other], other: true[one]}


@dataclass
class Outcome:
    """What came of a run."""

    result: LogResult
    truth_degC: dict[str, float]  # highest of each node
    said: list[str] = field(default_factory=list)  # loudly


def lying_run(
    folder: Path,
    lie: Lie,
    from_s: float,
    limits: Mapping[str, float],
    heat_s: float = 1500.0,
    **guard: Any,
) -> Outcome:
    """A heat run in lock step, whose sensors lie from a moment on [s]."""
    clock, highest, watcher = LockStepClock(), dict[str, float](), Watcher()
    bench: list[VirtualBench] = []

    def write(values: Mapping[str, float]) -> str:
        for node, value in bench[0].world.true_degC().items():
            highest[node] = max(value, highest.get(node, value))
        return separated(lie(dict(values)) if clock.now_s() >= from_s else values)

    with open_bench(make_demo_unit("none", 1), clock.now_s, step_s=0.5, write=write) as made:
        bench.append(made)
        rig = short_rig(
            made.ports,
            sequence={
                "interval_s": 1.0,
                "soak_s": SOAK_S,
                "heat_s": heat_s,
                "heat_until": "time",
                "cool_s": 5.0,
            },
            guard={"silence_s": 10.0, "max_degC": dict(limits), **guard},
        )
        result = heat_run(rig, folder=folder, clock=clock, view=watcher, estimate=False)
    return Outcome(result, highest, [text for text, loud in watcher.lines if loud])


def twenty() -> Iterator[tuple[str, Lie, float, dict[str, float]]]:
    """Broken sensors, each with its moment and a limit that the prototype truly passes."""
    moments = (ON_S - 10, 40.0), (ON_S + 4, 40.0), (ON_S + 25, 50.0), (ON_S + 300, 56.0)
    for at_s, limit in moments:
        yield f"tab frozen at {at_s:g} s", frozen("tab"), at_s, {"tab": limit}
        yield f"tab hangs in the air at {at_s:g} s", wavering("tab"), at_s, {"tab": limit}
        everything = frozen("tab", "board_back", "bar", "case", "ambient")
        yield f"all frozen at {at_s:g} s", everything, at_s, {"tab": limit}
    for value in (0.0, -200.0, 850.0, float("nan")):
        yield f"tab reads {value:g}", reads("tab", value), ON_S + 6, {"tab": 40.0}
    yield "case frozen", frozen("case"), ON_S - 10, {"case": 30.0}
    yield "case frozen late", frozen("case"), ON_S + 200, {"case": 30.0}
    yield "bar reads 0", reads("bar", 0.0), ON_S + 100, {"bar": 28.0}
    yield "tab and bar swapped", swapped("tab", "bar"), ON_S + 20, {"tab": 46.0}
