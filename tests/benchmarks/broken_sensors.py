"""Twenty ways to break a sensor, on products that are sound: is any of them called conforming?

    python -m tests.benchmarks.broken_sensors [--products 3] [--first 0] [--heat 300 7200] [--list]

The products are fields (`tests.benchmarks.field`), their readings falsified as a broken channel
would. Printed for every time of heating: how many records `check` calls conforming, how many name
the right node first, and how many of the same products it decides when nothing is broken.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks.field.draw import SOAK_S, Rig, random_rig
from tests.benchmarks.field.product import NODES

Array = Any
ALL = (*NODES, "ambient")
Change = Callable[[Array, Array, Array], Array]  # readings, times, rise above the start


def _frozen(node: int, after_s: float) -> Change:
    def change(reading: Array, t_s: Array, rise: Array) -> Array:
        late = t_s >= after_s
        reading[late, node] = reading[int(np.argmax(late)), node]
        return reading

    return change


def _shows(node: int, value: float, after_s: float = 0.0) -> Change:
    def change(reading: Array, t_s: Array, rise: Array) -> Array:
        reading[t_s >= after_s, node] = value
        return reading

    return change


def _swapped(one: int, other: int) -> Change:
    def change(reading: Array, t_s: Array, rise: Array) -> Array:
        reading[:, [one, other]] = reading[:, [other, one]]
        return reading

    return change


def _gain(node: int, factor: float) -> Change:
    def change(reading: Array, t_s: Array, rise: Array) -> Array:
        reading[:, node] -= (1 - factor) * rise[:, node]
        return reading

    return change


def _copy(node: int, other: int) -> Change:
    def change(reading: Array, t_s: Array, rise: Array) -> Array:
        reading[:, node] = reading[:, other]
        return reading

    return change


WAYS: dict[str, tuple[tuple[int, ...], Change]] = {
    "tab frozen from the start": ((0,), _frozen(0, 0.0)),
    "board_back frozen from the start": ((1,), _frozen(1, 0.0)),
    "case frozen from the start": ((3,), _frozen(3, 0.0)),
    "ambient frozen from the start": ((4,), _frozen(4, 0.0)),
    "tab frozen in mid-run": ((0,), _frozen(0, SOAK_S + 40)),
    "bar frozen in mid-run": ((2,), _frozen(2, SOAK_S + 40)),
    "case frozen in mid-run": ((3,), _frozen(3, SOAK_S + 100)),
    "board_back shows 0": ((1,), _shows(1, 0.0)),
    "bar shows -200": ((2,), _shows(2, -200.0)),
    "tab shows 850": ((0,), _shows(0, 850.0)),
    "case shows 0 in mid-run": ((3,), _shows(3, 0.0, SOAK_S + 60)),
    "bar shows 850 in mid-run": ((2,), _shows(2, 850.0, SOAK_S + 60)),
    "tab and board_back swapped": ((0, 1), _swapped(0, 1)),
    "board_back and bar swapped": ((1, 2), _swapped(1, 2)),
    "bar and case swapped": ((2, 3), _swapped(2, 3)),
    "case and ambient swapped": ((3, 4), _swapped(3, 4)),
    "tab at half its rise": ((0,), _gain(0, 0.5)),
    "bar at half its rise": ((2,), _gain(2, 0.5)),
    "case at half its rise": ((3,), _gain(3, 0.5)),
    "board_back copies bar": ((1, 2), _copy(1, 2)),
}


def judge(task: tuple[int, tuple[float, ...]]) -> list[tuple[str, float, str, bool, str]]:
    """Way, time of heating, decision, whether the right node leads, what else was said."""
    import fit
    from fit.errors import HeatrunError

    seed, heats = task
    rig = random_rig(seed)
    rows = []
    for way, (nodes, change) in {"nothing": ((), None), **WAYS}.items():
        broken = rig if change is None else _broken(rig, change)
        with tempfile.TemporaryDirectory() as folder:
            for heat_s in heats:
                run, budget = broken.write(Path(folder), heat_s)
                try:
                    verdict = fit.check(fit.measure(fit.read_run(run)), fit.read_budget(budget))
                except HeatrunError as error:
                    rows.append((way, heat_s, "refused", False, str(error)))
                    continue
                first = next(iter(verdict.findings), None)
                right = first is not None and first.kind == "sensor-placement"
                right = right and first is not None and first.where in {ALL[i] for i in nodes}
                named = "nothing" if first is None else f"{first.kind} at {first.where}"
                rows.append((way, heat_s, str(verdict.decision), right, named))
    return rows


def _broken(rig: Rig, change: Change) -> Rig:
    reading = rig.reading_degC.copy()
    rise = reading - reading[rig.t_s < SOAK_S].mean(axis=0)
    return replace(rig, reading_degC=change(reading, rig.t_s, rise))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--products", type=int, default=3)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--heat", type=float, nargs="*", default=[300.0, 7200.0])
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--list", action="store_true", help="print what was said of each")
    chosen = parser.parse_args()
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    tasks = [(chosen.first + i, tuple(chosen.heat)) for i in range(chosen.products)]
    with get_context("spawn").Pool(chosen.jobs) as pool:
        rows = [row for part in pool.map(judge, tasks, chunksize=1) for row in part]
    for heat_s in chosen.heat:
        sound = Counter(row[2] for row in rows if row[1] == heat_s and row[0] == "nothing")
        these = [row for row in rows if row[1] == heat_s and row[0] != "nothing"]
        said = Counter(row[2] for row in these)
        right = sum(row[3] for row in these)
        print(f"after {heat_s:.0f} s: {len(these)} broken: {dict(said)}; right node first {right}")
        print(f"    nothing broken: {dict(sound)}")
        if chosen.list:
            for way, _, decision, right, named in these:
                if decision == "conforming" or not right:
                    print(f"    {decision:>14}  {way}: {named}")


if __name__ == "__main__":
    main()
