"""A short heat run against the virtual bench, and how its supply was switched."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

from bench.acquisition.finish import LogResult
from bench.acquisition.run_loop import heat_run
from bench.clock import RealClock
from bench.virtual.bench import VirtualBench
from tests.support.bench_rigs import Watcher, short_rig

SOON = {"silence_s": 1.0}


def run(
    bench: VirtualBench,
    folder: Path,
    watcher: Watcher | None = None,
    clock: Any = None,
    **changes: Any,
) -> LogResult:
    """A short run of the bench's rig; `changes` by table of the rig."""
    return heat_run(
        short_rig(bench.ports, **changes),
        folder=folder,
        clock=clock or RealClock(),
        view=watcher,
        estimate=False,
    )


def turns(bench: VirtualBench) -> list[bool]:
    """How the supply was switched, repetitions left out."""
    return [on for on, _ in itertools.groupby(bench.world.supply.switched)]
