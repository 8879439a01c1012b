"""Does what runs have taught hold, and does a bad part not teach?

    python -m tests.benchmarks.learning [--truths 120] [--first 5000] [--units 1 3]

The demonstration's budget is believed to the letter: each truth is drawn from it, process and
units apart, as a budget's `shared` has it. A unit is heated in the simulation with noise, offsets,
lags, a match of its thermocouples and an error of the power reading that the rig states, measured,
checked and learnt from. Printed: how often the 95 % intervals of the process's inputs hold the
truth, and those of a next design (more vias, a thinner and larger pad, another power) for a unit
not yet built; how much narrower they are than the budget's own. Then a unit whose pad has twice the
resistance: how often it is refused, and by what. Sound units refused are counted as well.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from pathlib import Path

import numpy as np

from bench.virtual.prototype import CaseSurface, Prototype, Sensor, read_sensor, simulate
from fit.assessment.branch_conformity import check_run
from fit.budget import predict, read_budget
from fit.budget.inputs import Input, unsure_inputs
from fit.budget.learned import unit_scores, with_learned
from fit.budget.model import Array, Budget
from fit.budget.prediction import seen_K_per_W
from fit.budget.stages.surface import Surface
from fit.budget.target import with_input
from fit.errors import HeatrunError, NotIdentifiable
from fit.learning.learn import Taught, learn
from fit.learning.lesson import Lesson, lesson_of
from fit.records.events import Event, EventName
from fit.records.metadata import RunMetadata
from fit.records.run import Run

BUDGET = Path(str(files("heatrun_data") / "charge_controller" / "budget.toml"))
MEASURED = ("tab", "board_back", "bar", "case", "ambient")
SOAK_S, HEAT_S, SCAN_S = 120.0, 4500.0, 3.0
MATCH_U, POWER_U = 0.003, 0.005  # as the rig states them
CHANGED = (("via array", "count", 32.0), ("pad", "thickness_mm", 0.3), ("pad", "area_mm2", 380.0))
NEXT_W, AIR_degC, SURE = 5.5, 23.0, 1.96


@dataclass(frozen=True)
class Face(CaseSurface):
    """A case that gives off heat as the budget's surface does with these inputs."""

    rise_K: Array = None  # type: ignore[assignment]
    given_W: Array = None  # type: ignore[assignment]

    def heat_W(self, case_degC: float, ambient_degC: float) -> float:
        rise = case_degC - ambient_degC
        return float(np.sign(rise) * np.interp(abs(rise), self.rise_K, self.given_W))


@cache
def designs() -> tuple[Budget, Budget]:
    """The budget that the runs are of, and the next one."""
    now = read_budget(BUDGET)
    stages = list(now.stages)
    for name, key, value in CHANGED:
        at = next(i for i, stage in enumerate(stages) if stage.name == name)
        stages[at] = with_input(stages[at], key, value)
    conditions = replace(now.conditions, power_W=NEXT_W)
    return now, replace(now, stages=tuple(stages), conditions=conditions)


def factors(inputs: tuple[Input, ...], process: Array, own: Array) -> dict[tuple[str, str], float]:
    """True over stated values of one unit, by input."""
    scores = unit_scores(inputs, process[:, None], own[:, None])[:, 0]
    return {one.name: float(one.factor(z)) for one, z in zip(inputs, scores, strict=True)}


def values(budget: Budget, true: dict[tuple[str, str], float]) -> tuple[dict[str, Array], ...]:
    """The numeric keys of every stage of one unit, each (1,)."""
    return tuple(
        {
            key: np.array(
                [
                    min(number.value * true.get((stage.name, key), 1.0), 1.0)
                    if key == "emissivity"
                    else number.value * true.get((stage.name, key), 1.0)
                ]
            )
            for key, number in stage.uncertain.items()
        }
        for stage in budget.stages
    )


def spans_of(
    budget: Budget, true: dict[tuple[str, str], float], power_W: float
) -> tuple[Array, float]:
    """Resistances of one unit's stages [K/W], and the heat that takes its path [W]."""
    share = min(budget.conditions.path_fraction * true.get(("path", "path_fraction"), 1.0), 1.0)
    heat = power_W * share
    none = np.zeros((1, 0))
    R = seen_K_per_W(budget, values(budget, true), none, np.array([[heat]]), AIR_degC)[0]
    return R, heat


def unit_run(
    true: dict[tuple[str, str], float], random: np.random.Generator, rig: tuple[Array, float],
    pad: float = 1.0,
) -> Run:  # fmt: skip
    """A heat run of one unit. rig: relative errors of the channels (5,) and of the power."""
    budget, _ = designs()
    power = budget.conditions.power_W
    R, heat = spans_of(budget, true, power)
    R[[stage.name for stage in budget.stages].index("pad")] *= pad
    own = values(budget, true)[-1]
    keys = budget.stages[-1].keys
    assert isinstance(keys, Surface)
    given = np.geomspace(1e-3, 5 * power, 60)
    repeated = {key: np.repeat(value, 60) for key, value in own.items()}
    rise = keys.rise_K(repeated, given, AIR_degC)
    surface = Face(1.0, rise_K=np.append(0.0, rise), given_W=np.append(0.0, given))
    sensors = {
        node: Sensor(float(random.uniform(-1, 1)), 0.03, float(random.uniform(0, 3)), 0.0)
        for node in budget.nodes
    }
    prototype = Prototype(
        nodes=budget.nodes,
        resistance_K_per_W=tuple(map(float, R)),
        capacity_J_per_K=tuple(stage.C_J_per_K or 1.0 for stage in budget.stages),
        surface=surface,
        path_fraction=heat / power,
        sensors=sensors,
        ambient_degC=lambda t_s: AIR_degC,
    )
    t_s = np.arange(0.0, SOAK_S + HEAT_S, SCAN_S)
    on = np.where(t_s >= SOAK_S, power, 0.0)
    degC = simulate(prototype, t_s, on)
    match, power_error = rig
    columns = [
        read_sensor(sensors[node], t_s, degC[node], degC["ambient"], random)
        + gain * (degC[node] - degC[node][0])
        for node, gain in zip(MEASURED, match, strict=True)
    ]
    return Run(
        Path("unit"),
        "unit",
        MEASURED,
        t_s,
        np.column_stack(columns),
        on * (1 + power_error),
        events=(Event(SOAK_S, EventName.POWER_ON, {}),),
        metadata=RunMetadata(match_u=dict.fromkeys(MEASURED, MATCH_U), power_u=POWER_U),
    )


@dataclass
class Tally:
    """What came out of many truths."""

    held: list[bool]  # of the process's inputs
    next_held: list[bool]
    next_R_held: list[bool]
    narrower: list[float]
    taught: dict[str, list[tuple[float, bool]]]  # u over that before, and whether it held
    refused: list[str]


def learnt(lessons: list[Lesson]) -> tuple[Taught | None, str]:
    """What was learnt, or why nothing."""
    budget, _ = designs()
    try:
        return learn(budget, lessons), ""
    except NotIdentifiable as error:
        return None, str(error)


def one_truth(seed: int, units: int, tally: Tally) -> None:
    """Draw a process, measure units of it, learn, and ask for a unit of the next design."""
    now, following = designs()
    inputs = unsure_inputs(now)
    random = np.random.default_rng([seed, units])
    process = random.standard_normal(len(inputs))
    rig = MATCH_U * random.standard_normal(len(MEASURED)), float(POWER_U * random.standard_normal())
    lessons = []
    for _ in range(units):
        true = factors(inputs, process, random.standard_normal(len(inputs)))
        lessons.append(lesson_of("unit", check_run(unit_run(true, random, rig), now)))
    found, why = learnt(lessons)
    if found is None:
        tally.refused.append(f"{seed}: {why}")
        return
    tally.refused += [f"{seed}: {run.why_not}" for run in found.runs if not run.taught]
    u = np.sqrt(np.diag(found.learned.covariance))
    held = np.abs(process - found.learned.mean) < SURE * u
    tally.held += held.tolist()
    for one, ratio, inside in zip(inputs, u, held, strict=True):
        told = tally.taught.setdefault(f"{one.key} of {one.owner}", [])
        told.append((float(ratio), bool(inside)))
    unbuilt = factors(inputs, process, random.standard_normal(len(inputs)))
    R, heat = spans_of(following, unbuilt, NEXT_W)
    before = predict(following, ambient_degC=AIR_degC)
    after = predict(with_learned(following, found.learned), ambient_degC=AIR_degC)
    for node, below in (("junction", 0), ("tab", 1), ("case", 4)):
        rise = heat * R[below:].sum()
        tally.next_held.append(bool(abs(rise - after.rise_K[node]) < SURE * after.rise_u_K[node]))
    tally.narrower.append(after.rise_u_K["tab"] / before.rise_u_K["tab"])
    sd = np.sqrt(np.diag(after.R_covariance))
    tally.next_R_held += (np.abs(R - after.R_K_per_W) < SURE * sd)[1:].tolist()


def bad_pad(seed: int) -> tuple[str, bool]:
    """Why a unit with a pad of twice the resistance is refused, and whether χ² alone does it."""
    now, _ = designs()
    inputs = unsure_inputs(now)
    random = np.random.default_rng([seed, 99])
    true = factors(inputs, *random.standard_normal((2, len(inputs))))
    rig = MATCH_U * random.standard_normal(len(MEASURED)), float(POWER_U * random.standard_normal())
    lesson = lesson_of("unit", check_run(unit_run(true, random, rig, pad=2.0), now))
    _, why = learnt([lesson])
    return why, learnt([replace(lesson, doubt="")])[0] is None


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--truths", type=int, default=120)
    parser.add_argument("--first", type=int, default=5000)
    parser.add_argument("--units", type=int, nargs="*", default=[1, 3])
    chosen = parser.parse_args()
    seeds = range(chosen.first, chosen.first + chosen.truths)
    for units in chosen.units:
        tally = Tally([], [], [], [], {}, [])
        for seed in seeds:
            try:
                one_truth(seed, units, tally)
            except HeatrunError as error:
                tally.refused.append(f"{seed}: {error}")
        print(f"{chosen.truths} truths, {units} units measured of each")
        print(f"  inputs of the process: 95 % intervals hold {100 * np.mean(tally.held):.1f} %")
        print(f"  next design, a unit not yet built: rises {100 * np.mean(tally.next_held):.1f} %,"
              f" stages {100 * np.mean(tally.next_R_held):.1f} %")  # fmt: skip
        print(f"  its tab's uncertainty over the budget's own: {np.median(tally.narrower):.2f}")
        print(f"  sound runs refused: {len(tally.refused)} of {units * chosen.truths}")
        for line in tally.refused[:6]:
            print(f"    {line}")
        told = {name: np.array(both).T for name, both in tally.taught.items()}
        for name, (ratio, held) in sorted(
            told.items(), key=lambda one: float(np.median(one[1][0]))
        ):
            print(f"    {name}: u {np.median(ratio):.2f} of that before, held"
                  f" {100 * held.mean():.0f} %", flush=True)  # fmt: skip
    found = [bad_pad(seed) for seed in seeds]
    print(f"a pad of twice the resistance: refused {sum(bool(why) for why, _ in found)} of"
          f" {len(found)}, by χ² alone {sum(alone for _, alone in found)}")  # fmt: skip


if __name__ == "__main__":
    main()
