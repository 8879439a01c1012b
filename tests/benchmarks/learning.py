"""Does what runs have taught hold, and does a bad part not teach?

    python -m tests.benchmarks.learning [--truths 120] [--first 5000] [--units 1 3] [--halves]

The demonstration's budget is believed to the letter: each truth is drawn from it, process and
units apart, as a budget's `shared` has it. A unit is heated in the simulation with noise, offsets,
lags, a match of its thermocouples and an error of the power reading that the rig states, measured,
checked and learnt from. Printed: how often the 95 % intervals of the process's inputs hold the
truth, and those of a next design (more vias, a thinner and larger pad, another power) for a unit
not yet built; how much narrower they are than the budget's own. Then a unit whose pad has twice the
resistance: how often it is refused, and by what. Sound units refused are counted as well.

`--halves` learns from the same units (two or more) at once and in two halves, the second continuing
from what the first has taught: with the second on another rig, as it is taken to be, and on the
same one, whose errors of power and match then count twice. Printed: the same rates of each, how far
the halves end from all at once, how often a pad that is slightly bad is refused, and how much
smaller an uncertainty comes out after several files from one rig.
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
from fit.learning.history import Earlier
from fit.learning.identity import Identity
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
SLIGHTLY_BAD = 1.2  # a pad's resistance over its unit's own: 2.5 of the budget's u of it


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


Reasons = tuple[str, ...]


@dataclass(frozen=True)
class Truth:
    """A process, what was measured of some of its units, and a unit not yet built."""

    seed: int
    process: Array
    lessons: list[Lesson]
    unbuilt: dict[tuple[str, str], float]
    slightly_bad: Lesson  # of a further unit, which `check` is not asked about


def learnt(lessons: list[Lesson], earlier: Earlier | None = None) -> tuple[Taught | None, Reasons]:
    """What was learnt, and why each run that did not teach did not."""
    budget, _ = designs()
    try:
        found = learn(budget, lessons, earlier=earlier)
    except NotIdentifiable as error:
        return None, (str(error),) * len(lessons)
    return found, tuple(run.why_not for run in found.runs if not run.taught)


def in_halves(lessons: list[Lesson]) -> tuple[Taught | None, Reasons]:
    """What was learnt by the second half, continued from the first; or by the one that taught."""
    half = len(lessons) // 2
    first, why = learnt(lessons[:half])
    earlier = None if first is None else Earlier("first.json", first.learned, first.runs)
    second, why_not = learnt(lessons[half:], earlier)
    return first if second is None else second, why + why_not


def drawn_rig(random: np.random.Generator) -> tuple[Array, float]:
    """Relative errors of a rig's channels (5,) and of its power."""
    match = MATCH_U * random.standard_normal(len(MEASURED))
    return match, float(POWER_U * random.standard_normal())


def one_truth(seed: int, units: int, rigs: int = 1) -> Truth:
    """Draw a process and measure units of it; with two rigs, the second half on the other."""
    now, _ = designs()
    inputs = unsure_inputs(now)
    random = np.random.default_rng([seed, units])
    process = random.standard_normal(len(inputs))
    rig = drawn_rig(random)
    other = drawn_rig(np.random.default_rng([seed, units, rigs])) if rigs > 1 else rig
    lessons = []
    for number in range(units):
        true = factors(inputs, process, random.standard_normal(len(inputs)))
        run = unit_run(true, random, rig if number < units // 2 else other)
        lessons.append(lesson_of(Identity(f"unit {number}"), check_run(run, now)))
    unbuilt = factors(inputs, process, random.standard_normal(len(inputs)))
    true = factors(inputs, process, random.standard_normal(len(inputs)))
    run = unit_run(true, random, other, pad=SLIGHTLY_BAD)
    bad = replace(lesson_of(Identity("bad"), check_run(run, now)), doubt="")
    return Truth(seed, process, lessons, unbuilt, bad)


def judge(truth: Truth, found: Taught | None, refused: Reasons, tally: Tally) -> None:
    """Count what held, of the process and of a unit of the next design."""
    now, following = designs()
    inputs, process = unsure_inputs(now), truth.process
    tally.refused += [f"{truth.seed}: {why}" for why in refused]
    if found is None:
        return
    u = np.sqrt(np.diag(found.learned.covariance))
    held = np.abs(process - found.learned.mean) < SURE * u
    tally.held += held.tolist()
    for one, ratio, inside in zip(inputs, u, held, strict=True):
        told = tally.taught.setdefault(f"{one.key} of {one.owner}", [])
        told.append((float(ratio), bool(inside)))
    R, heat = spans_of(following, truth.unbuilt, NEXT_W)
    before = predict(following, ambient_degC=AIR_degC)
    after = predict(with_learned(following, found.learned), ambient_degC=AIR_degC)
    for node, below in (("junction", 0), ("tab", 1), ("case", 4)):
        rise = heat * R[below:].sum()
        tally.next_held.append(bool(abs(rise - after.rise_K[node]) < SURE * after.rise_u_K[node]))
    tally.narrower.append(after.rise_u_K["tab"] / before.rise_u_K["tab"])
    sd = np.sqrt(np.diag(after.R_covariance))
    tally.next_R_held += (np.abs(R - after.R_K_per_W) < SURE * sd)[1:].tolist()


def bad_pad(seed: int) -> tuple[Reasons, bool]:
    """Why a unit with a pad of twice the resistance is refused, and whether χ² alone does it."""
    now, _ = designs()
    inputs = unsure_inputs(now)
    random = np.random.default_rng([seed, 99])
    true = factors(inputs, *random.standard_normal((2, len(inputs))))
    rig = drawn_rig(random)
    lesson = lesson_of(Identity("unit"), check_run(unit_run(true, random, rig, pad=2.0), now))
    _, why = learnt([lesson])
    return why, learnt([replace(lesson, doubt="")])[0] is None


def learn_from_units(seeds: range, units: int, rigs: int, *, halves: bool) -> None:
    """Learn from units of every truth, and print what held; at once and, if asked, in halves."""
    at_once, continued = Tally([], [], [], [], {}, []), Tally([], [], [], [], {}, [])
    apart, bad = [], []
    for seed in seeds:
        try:
            truth = one_truth(seed, units, rigs)
        except HeatrunError as error:
            for tally in (at_once, continued):
                tally.refused += [f"{seed}: {error}"] * units
            continue
        whole = learnt(truth.lessons)
        judge(truth, *whole, at_once)
        if halves:
            two = in_halves(truth.lessons)
            judge(truth, *two, continued)
            apart.append(how_far(whole[0], two[0]))
            known = two[0] and Earlier("both.json", two[0].learned, two[0].runs)
            bad.append([learnt([truth.slightly_bad], one)[0] is None for one in (None, known)])
    print(f"{len(seeds)} truths, {units} units measured of each, on {rigs} rigs")
    show("at once" if halves else "", at_once, units * len(seeds))
    if halves:
        show("in two halves", continued, units * len(seeds))
        stated, taught = np.sum(bad, axis=0)
        print(f"  a pad of {SLIGHTLY_BAD:g} times the resistance: refused by χ² {stated} of"
              f" {len(bad)} as the budget states, {taught} as learnt")  # fmt: skip
        shift, ratio = np.hstack([one for one in apart if one is not None])
        print(f"  the halves beside all at once: means apart by {np.median(shift):.3f} of the u"
              f" (95 %: {np.quantile(shift, 0.95):.3f}), u {np.median(ratio):.3f} of that"
              f" (95 %: {np.quantile(ratio, 0.025):.3f} to {np.quantile(ratio, 0.975):.3f})",
              flush=True)  # fmt: skip


def show_one_rig() -> None:
    """Print by how much too small an uncertainty is after several files from one rig."""
    now, following = designs()
    inputs = unsure_inputs(now)
    true = factors(inputs, *np.zeros((2, len(inputs))))
    run = unit_run(true, np.random.default_rng(5), (np.zeros(len(MEASURED)), 0.0))
    for power_u in (POWER_U, 0.02, 0.05):
        metadata = RunMetadata(match_u=dict.fromkeys(MEASURED, MATCH_U), power_u=power_u)
        verdict = check_run(replace(run, metadata=metadata), now)
        lesson = replace(lesson_of(Identity("unit"), verdict), doubt="")
        for count in (2, 6):
            earlier = None
            for _ in range(count):
                one = learn(now, [lesson], earlier=earlier)
                earlier = Earlier("file.json", one.learned, one.runs)
            at_once = learn(now, [lesson] * count).learned
            tab = [
                predict(with_learned(following, known)).rise_u_K["tab"]
                for known in (one.learned, at_once)
            ]
            print(f"power to {100 * power_u:g} %, {count} files from one rig: next tab's"
                  f" uncertainty {tab[0] / tab[1]:.3f} of that of all at once")  # fmt: skip


def how_far(whole: Taught | None, halves: Taught | None) -> Array | None:
    """Means apart over u, and u over that of all at once (2, d), where the same have taught."""
    if whole is None or halves is None or halves.earlier is None:
        return None
    kept = [run.run for run in whole.runs if run.taught]
    if kept != [run.run for run in (*halves.earlier.runs, *halves.runs) if run.taught]:
        return None
    one, other = whole.learned, halves.learned
    u = np.sqrt(np.diag(one.covariance))
    ratio = np.sqrt(np.diag(other.covariance)) / u
    return np.array([np.abs(other.mean - one.mean) / u, ratio])


def show(how: str, tally: Tally, runs: int) -> None:
    """Print what held."""
    if how:
        print(f"  learnt {how}")
    print(f"  inputs of the process: 95 % intervals hold {100 * np.mean(tally.held):.1f} %")
    print(f"  next design, a unit not yet built: rises {100 * np.mean(tally.next_held):.1f} %,"
          f" stages {100 * np.mean(tally.next_R_held):.1f} %")  # fmt: skip
    print(f"  its tab's uncertainty over the budget's own: {np.median(tally.narrower):.2f}")
    print(f"  sound runs refused: {len(tally.refused)} of {runs}")
    for line in tally.refused[:6]:
        print(f"    {line}")
    told = {name: np.array(both).T for name, both in tally.taught.items()}
    for name, (ratio, held) in sorted(told.items(), key=lambda one: float(np.median(one[1][0]))):
        print(f"    {name}: u {np.median(ratio):.2f} of that before, held"
              f" {100 * held.mean():.0f} %", flush=True)  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--truths", type=int, default=120)
    parser.add_argument("--first", type=int, default=5000)
    parser.add_argument("--units", type=int, nargs="*", default=[1, 3])
    parser.add_argument("--halves", action="store_true")
    chosen = parser.parse_args()
    seeds = range(chosen.first, chosen.first + chosen.truths)
    for units in chosen.units:
        for rigs in (2, 1) if chosen.halves else (1,):
            learn_from_units(seeds, units, rigs, halves=chosen.halves)
    if chosen.halves:
        show_one_rig()
        return
    found = [bad_pad(seed) for seed in seeds]
    print(f"a pad of twice the resistance: refused {sum(bool(why) for why, _ in found)} of"
          f" {len(found)}, by χ² alone {sum(alone for _, alone in found)}")  # fmt: skip


if __name__ == "__main__":
    main()
