"""Random rigs with every nuisance a bench has, and how well their spans are identified.

    python -m tests.benchmarks.random_rigs [--rigs 200] [--heat 1800 90] [--first 1000]
                                           [--harder] [--list]

Each rig is a ladder of 3 to 6 measured nodes (ambient one of them): resistances over two
decades, 0.25-25 K/W from a pressed joint to a few vias; time constants over four, 0.6 s inside
to 6000 s of the case; natural convection and radiation from the case, drifting ambient, a draught,
sensor lag, noise, 1/16 K steps, offsets of up to 1.5 K, in a third of them a chip nobody measures.
`--harder`: resistances from 0.1 K/W, a few tenths of a kelvin, and inner time constants up to
600 s, where no estimator can say much after a minute. So beside every error stands what the best
possible one would make of the record (`tests.benchmarks.attainable`). The truth is the
simulator's. All invented.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from bench.virtual.prototype import CaseSurface, Prototype, Sensor, read_sensor, simulate
from fit.errors import HeatrunError
from fit.measurement.spans import measure
from fit.records.run import Array, Run
from tests.benchmarks.attainable import least_relative_u

LARGE_K_PER_W = 0.6
WANTED = 0.08  # relative error wanted of large spans in 95 of 100, from a short record
STEP_S = 0.1  # of the simulation, so that a lag is no matter of the scan
NAMES = ("tab", "board_back", "bar", "plate", "case")


@dataclass(frozen=True)
class Ranges:
    """What the inner network is drawn from, evenly in the logarithm."""

    R_K_per_W: tuple[float, float]
    tau_s: tuple[float, float]


USUAL = Ranges((0.25, 25.0), (0.6, 60.0))
HARDER = Ranges((0.1, 10.0), (0.3, 600.0))


@dataclass(frozen=True)
class Rig:
    """One random rig: its record and what is true of it."""

    run: Run
    prototype: Prototype
    R_K_per_W: Array  # (s,) true spans between the measured nodes, case-to-air at the rig's power
    settings: str


def _log_uniform(random: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(random.uniform(np.log(low), np.log(high))))


def _network(
    random: np.random.Generator, inner: int, case_C: float, ranges: Ranges
) -> tuple[Array, Array]:
    """Resistances of the inner spans and heat capacities of their upper nodes."""
    R = np.array([_log_uniform(random, *ranges.R_K_per_W) for _ in range(inner)])
    tau = np.array([_log_uniform(random, *ranges.tau_s) for _ in range(inner)])
    return R, np.minimum(tau / R, 0.4 * case_C)


def random_rig(
    seed: int, heat_s: float = 1800.0, cool: bool | None = None, ranges: Ranges = USUAL
) -> Rig:
    """The rig of a seed, with a soak of 60-300 s and heat_s [s] of heating."""
    random = np.random.default_rng(seed)
    measured = int(random.integers(3, 7))
    inner = measured - 2
    case_C, case_tau = _log_uniform(random, 150.0, 1200.0), _log_uniform(random, 1200.0, 6000.0)
    surface = CaseSurface(area_m2=case_C / case_tau / 9.5)
    R, C = _network(random, inner, case_C, ranges)
    names = [*NAMES[:inner], "case"]
    true_R = R.copy()
    hidden = bool(random.random() < 0.3)
    if hidden:
        junction_R = _log_uniform(random, 0.3, 3.0)
        names, R = ["junction", *names], np.insert(R, 0, junction_R)
        C = np.insert(C, 0, _log_uniform(random, 0.05, 2.0) / junction_R)
    resistance_air = case_tau / case_C
    power = random.uniform(25.0, 60.0) / (R.sum() + 0.6 * resistance_air)
    scan = float(random.choice([0.5, 1.0, 2.0, 5.0]))
    soak = float(random.uniform(60.0, 300.0))
    cool_s = (
        float(random.uniform(300.0, 1200.0))
        if (random.random() < 0.4 if cool is None else cool)
        else 0.0
    )
    t_s = np.arange(0.0, soak + heat_s + cool_s, scan)
    on = (t_s >= soak) & (t_s < soak + heat_s)
    power_W = np.where(on, power, 0.0)
    quantum = float(random.choice([0.0, 0.0625]))
    noise = _log_uniform(random, 0.01, 0.1)
    lag = float(random.uniform(0.0, 4.0))
    sensors = {
        name: Sensor(
            offset_K=float(random.uniform(-1.5, 1.5)),
            noise_K=noise,
            lag_s=lag * float(random.random()),
            quantum_K=quantum,
        )
        for name in (*names, "ambient")
    }
    swing, period, slope = (
        random.uniform(0, 0.8),
        random.uniform(900, 5000),
        random.uniform(-3e-4, 3e-4),
    )
    draught_s, draught = random.uniform(0, soak + heat_s), random.uniform(1.0, 1.3)
    prototype = Prototype(
        nodes=(*names, "ambient"),
        resistance_K_per_W=(*map(float, R), resistance_air),
        capacity_J_per_K=(*map(float, C), case_C),
        surface=surface,
        sensors=sensors,
        ambient_degC=lambda t: 23.0 + swing * np.sin(2 * np.pi * t / period) + slope * t,
        cooling=lambda t: draught if t > draught_s else 1.0,
    )
    fine = round(scan / STEP_S)
    fine_s = STEP_S * np.arange(fine * (len(t_s) - 1) + 1, dtype=np.float64)
    true = simulate(prototype, fine_s, np.repeat(power_W, fine)[: len(fine_s)])
    columns = [n for n in (*names, "ambient") if n != "junction"]
    readings = np.column_stack(
        [read_sensor(sensors[n], fine_s, true[n], true["ambient"], random)[::fine] for n in columns]
    )
    blown = surface.area_m2 * (draught if draught_s < soak + heat_s else 1.0)
    air = replace(surface, area_m2=blown).resistance_K_per_W(power, 23.0)
    return Rig(
        run=Run(Path(f"rig-{seed}"), f"rig-{seed}", tuple(columns), t_s, readings, power_W),
        prototype=prototype,
        R_K_per_W=np.append(true_R, air),
        settings=f"scan {scan} s, noise {noise:.3f} K, step {quantum:.4f} K, lag {lag:.1f} s,"
        f" power {power:.1f} W, hidden {hidden}, cool {cool_s:.0f} s,"
        f" C {np.round(C, 1)} {case_C:.0f}",
    )


@dataclass(frozen=True)
class Scores:
    """Every inner span of many rigs."""

    seed: Array
    true: Array
    error: Array  # relative
    u: Array  # its stated relative standard uncertainty
    least_u: Array  # the least any estimator could state
    resolved: Array  # 1 where the program calls the span measured
    air_z: Array  # (rigs,) case to air: error over its standard uncertainty
    refused: tuple[str, ...]


def score(
    rigs: int,
    heat_s: float,
    first: int = 1000,
    ranges: Ranges = USUAL,
    *,
    verbose: bool = False,
) -> Scores:
    """Identify many rigs and compare with the truth."""
    rows, air, refused = [], [], []
    for number in range(first, first + rigs):
        rig = random_rig(number, heat_s, False if heat_s < 600 else None, ranges)
        try:
            spans = measure(rig.run)
        except HeatrunError as problem:
            refused.append(f"{number}: {problem}")
            continue
        u = np.sqrt(np.diag(spans.total_covariance)) / rig.R_K_per_W
        error = spans.R_K_per_W / rig.R_K_per_W - 1
        least = least_relative_u(rig.run, rig.prototype)
        seed = np.full(len(least), float(number))
        columns = (seed, rig.R_K_per_W[:-1], error[:-1], u[:-1], least, spans.resolved[:-1])
        rows.append(np.column_stack(columns))
        air.append(error[-1] / u[-1])
        if verbose and np.abs(error / u).max() > 2.5:
            print(number, rig.settings)
            for name, values in (("error", error), ("u", u), ("least u", least)):
                print(f"   {name:>7} %", (100 * values).round(2))
            print("      true  ", rig.R_K_per_W.round(3))
    seeds, true, errors, stated, leasts, resolved = np.concatenate(rows).T
    return Scores(seeds, true, errors, stated, leasts, resolved, np.array(air), tuple(refused))


def report(scores: Scores, title: str) -> None:
    """Print the figures."""
    error, z = 100 * np.abs(scores.error), scores.error / scores.u
    large, resolved = scores.true >= LARGE_K_PER_W, scores.resolved > 0
    # Of many estimates by the best possible estimator of every span.
    normal = np.abs(np.random.default_rng(0).standard_normal((200, 1)))
    best = 100 * normal * scores.least_u
    print(title)
    for name, chosen in (
        ("all inner spans", large | True),
        (f"spans >= {LARGE_K_PER_W} K/W", large),
        ("smaller spans", ~large),
        ("called measured", resolved),
        (f"those >= {LARGE_K_PER_W} K/W", resolved & large),
        (f"{100 * WANTED:.0f} % attainable", large & (1.96 * scores.least_u <= WANTED)),
    ):
        if chosen.any():
            print(
                f"  {name:>21}: n {chosen.sum():4}, |error| median"
                f" {np.median(error[chosen]):6.3f} %, 95th percentile"
                f" {np.percentile(error[chosen], 95):6.2f} % (attainable"
                f" {np.median(best[:, chosen]):6.3f} and {np.percentile(best[:, chosen], 95):6.2f}"
                f" %), 95 % intervals hold {100 * np.mean(np.abs(z[chosen]) < 1.96):5.1f} %,"
                f" z rms {np.sqrt(np.mean(z[chosen] ** 2)):.2f}"
            )
    print(f"  stated over least uncertainty: median {np.median(scores.u / scores.least_u):.2f}")
    print(f"  case to air: 95 % intervals hold {100 * np.mean(np.abs(scores.air_z) < 1.96):.1f} %")
    print(f"  refused: {len(scores.refused)} {'; '.join(scores.refused[:3])}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rigs", type=int, default=200)
    parser.add_argument("--heat", type=float, nargs="*", default=[1800.0, 90.0])
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--harder", action="store_true", help="wider ranges; see above")
    parser.add_argument("--list", action="store_true", help="print the rigs that are far out")
    chosen = parser.parse_args()
    ranges = HARDER if chosen.harder else USUAL
    for heat in chosen.heat:
        report(
            score(chosen.rigs, heat, chosen.first, ranges, verbose=chosen.list),
            f"{chosen.rigs} {'harder ' if chosen.harder else ''}rigs, {heat:.0f} s of heating",
        )


if __name__ == "__main__":
    main()
