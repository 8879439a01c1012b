"""Does a plan promise what a run then holds?

    python -m tests.benchmarks.plans [--rigs 6] [--draws 12] [--heat 90 300 1800] [--first 3000]
                                     [--exact]

Random rigs (`tests.benchmarks.random_rigs`): each is heated once in the simulation, then read again
and again with new noise, offsets, lags and gains of its sensors and a new error of the power, and
measured. The standard deviation of what comes out, over the plan's uncertainty (but for the
discrepancy, which is one and the same in every draw), is printed for every inner span of 0.6 K/W or
more that the plan says is resolved; `--exact` leaves match and power out, so that noise and lags
alone are compared. Were such spans at their limits, those that a reading is over with 95 % would be
condemned. Then a span is made larger by the plan's smallest excess, and it is counted how often it
is found to be over what was planned with 95 %.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import replace
from functools import partial

import numpy as np

from bench.virtual.prototype import Prototype, read_sensor, simulate
from fit.errors import HeatrunError
from fit.measurement.resolution import RESOLVED
from fit.measurement.spans import measure
from fit.planning.bench import MATCH_U, POWER_U, Bench
from fit.planning.excess import excess_found
from fit.planning.information import information
from fit.planning.network import Lumped, simulated
from fit.records.events import Event, EventName
from fit.records.metadata import RunMetadata
from fit.records.run import Array, Run
from tests.benchmarks.random_rigs import LARGE_K_PER_W, STEP_S, Rig, random_rig

HOLDS = (0.7, 1.4)
SURE = 1.645
LAG_S = 3.0  # of half a normal distribution, not what the program supposes


def lumped(rig: Rig) -> Lumped:
    """A rig's prototype as the plan takes a budget's network."""
    prototype, nodes = rig.prototype, rig.prototype.nodes
    R = np.append(prototype.resistance_K_per_W[:-1], rig.R_K_per_W[-1])
    return Lumped(nodes, rig.run.nodes, R, np.array(prototype.capacity_J_per_K))


def planned_u(rig: Rig, heat_s: float, match: float, power: float) -> tuple[Array, Array]:
    """Standard uncertainty of the inner spans (s - 1,) that the plan expects [K/W].

    Without and with the heat that is still to be stored. match, power: relative uncertainties.
    """
    network, run = lumped(rig), rig.run
    sensors = [rig.prototype.sensors[node] for node in run.nodes if node != "ambient"]
    noise = np.array([np.hypot(one.noise_K, one.quantum_K / np.sqrt(12)) for one in sensors])
    bench = Bench(
        run.nodes,
        interval_s=float(run.t_s[1] - run.t_s[0]),
        soak_s=float(run.t_s[np.flatnonzero(run.power > 0)[0]]),
    )
    signals, scans = simulated(network, bench, float(run.power.max()), heat_s)
    alike = dict.fromkeys(run.nodes, match)
    told = information(
        network, signals, scans, reference="case", noise_K=noise, lag_s={}, match_u=alike
    )
    exact = power * rig.R_K_per_W[:-1]
    by_source = told.span_covariance(heat_s)
    u = np.sqrt(np.diag(sum(by_source.values())) + exact**2)
    return u, np.hypot(u, told.discrepancy_u_K_per_W(heat_s, float(run.power.max())))


def draws(rig: Rig, count: int, seed: int, match: float, power: float) -> Iterator[Run]:
    """The same rig read again and again."""
    random = np.random.default_rng(seed)
    run, prototype = rig.run, rig.prototype
    scan = float(run.t_s[1] - run.t_s[0])
    fine = round(scan / STEP_S)
    fine_s = STEP_S * np.arange(fine * (len(run.t_s) - 1) + 1, dtype=np.float64)
    true = simulate(prototype, fine_s, np.repeat(run.power, fine)[: len(fine_s)])
    edge_s = float(run.t_s[np.flatnonzero(run.power > 0)[0]])
    switched = (Event(edge_s, EventName.POWER_ON, {}),)
    for _ in range(count):
        columns = []
        for node in run.nodes:
            sensor = replace(
                prototype.sensors[node],
                offset_K=float(random.uniform(-1.5, 1.5)),
                lag_s=min(abs(float(random.normal(0.0, LAG_S))), 8.0),
            )
            # Before it is rounded: steps stretched by a gain would be steps no more.
            gain = match * float(random.standard_normal())
            seen = true[node] + gain * (true[node] - true[node][0])
            columns.append(read_sensor(sensor, fine_s, seen, true["ambient"], random)[::fine])
        yield replace(
            run,
            temperature_degC=np.column_stack(columns),
            events=switched,
            power=run.power * (1 + power * float(random.standard_normal())),
            metadata=RunMetadata(match_u=dict.fromkeys(run.nodes, match), power_u=power),
        )


def measured(runs: Iterator[Run]) -> tuple[Array, Array]:
    """Inner spans and their stated uncertainties, a row a draw; NaN where not resolved."""
    R, u = [], []
    for run in runs:
        try:
            spans = measure(run)
        except HeatrunError:
            continue
        known = np.where(spans.resolved, 1.0, np.nan)[:-1]
        R.append(known * spans.R_K_per_W[:-1])
        u.append(known * np.sqrt(np.diag(spans.total_covariance))[:-1])
    return np.array(R), np.array(u)


def with_excess(prototype: Prototype, span: int, factor: float, hidden: int) -> Prototype:
    """The same with one inner span larger."""
    R = list(prototype.resistance_K_per_W)
    R[span + hidden] *= factor
    return replace(prototype, resistance_K_per_W=tuple(R))


def u_of_larger(
    rig: Rig, span: int, heat_s: float, shares: tuple[float, float], excess_K_per_W: float
) -> float:
    """What the plan expects of one span, were it larger [K/W]."""
    factor = 1 + excess_K_per_W / float(rig.R_K_per_W[span])
    worse = with_excess(rig.prototype, span, factor, lumped(rig).hidden)
    R = rig.R_K_per_W.copy()
    R[span] *= factor
    return float(planned_u(replace(rig, prototype=worse, R_K_per_W=R), heat_s, *shares)[1][span])


def found_of(
    rig: Rig, span: int, excess_K_per_W: float, count: int, shares: tuple[float, float]
) -> list[bool]:
    """Whether each of some runs with a larger span is over what was planned, with 95 %."""
    R = float(rig.R_K_per_W[span])
    factor = 1 + excess_K_per_W / R
    worse = with_excess(rig.prototype, span, factor, lumped(rig).hidden)
    values, u = measured(draws(replace(rig, prototype=worse), count, 1, *shares))
    return [bool(one) for one in values[:, span] - SURE * u[:, span] > R]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rigs", type=int, default=6)
    parser.add_argument("--draws", type=int, default=12)
    parser.add_argument("--heat", type=float, nargs="*", default=[90.0, 300.0, 1800.0])
    parser.add_argument("--first", type=int, default=3000)
    parser.add_argument("--exact", action="store_true", help="no error of match and power")
    chosen = parser.parse_args()
    shares = (0.0, 0.0) if chosen.exact else (MATCH_U, POWER_U)
    every: list[float] = []
    found: list[bool] = []
    condemned: list[bool] = []
    for heat in chosen.heat:
        ratios, stated_ratios, left_out, lost = [], [], 0, 0
        for seed in range(chosen.first, chosen.first + chosen.rigs):
            rig = random_rig(seed, heat, False)
            true = rig.R_K_per_W[:-1]
            u, whole = planned_u(rig, heat, *shares)
            R, stated = measured(draws(rig, chosen.draws, seed, *shares))
            large, resolved = true >= LARGE_K_PER_W, whole <= RESOLVED * true
            over = (R - SURE * stated > true)[:, large & resolved]
            condemned += over[np.isfinite(R[:, large & resolved])].tolist()
            lost += int(np.isnan(R[:, large & resolved]).sum())
            left_out += int(np.sum(large & ~resolved))
            scatter, said = np.nanstd(R, axis=0, ddof=1), np.nanmedian(stated, axis=0)
            print(
                f"{heat:6.0f} s, rig {seed}: R {true.round(2)} K/W, planned u"
                f" {(100 * u / true).round(2)} %, scatter / planned {(scatter / u).round(2)},"
                f" stated / planned {(said / whole).round(2)}",
                flush=True,
            )
            ratios += (scatter / u)[large & resolved].tolist()
            stated_ratios += (said / whole)[large & resolved].tolist()
            if (large & resolved).any():
                span = int(np.argmax(np.where(large & resolved, u / true, 0.0)))
                excess = excess_found(
                    true[span], 0.0, partial(u_of_larger, rig, span, heat, shares)
                )
                if np.isfinite(excess):
                    each = found_of(rig, span, excess, max(chosen.draws // 3, 3), shares)
                    print(f"  excess {100 * excess / true[span]:.2g} %: {sum(each)} of {len(each)}")
                    found += each
        every += ratios
        _say(f"{heat:.0f} s", ratios, stated_ratios)
        print(
            f"  {left_out} spans left out that the plan says are not resolved by then; "
            f"{lost} readings of the others called not resolved"
        )
    _say("all", every, [])
    print(f"promised excess found: {sum(found)} of {len(found)}")
    print(f"at their limit and condemned: {sum(condemned)} of {len(condemned)}")


def _say(title: str, ratios: list[float], stated: list[float]) -> None:
    found = np.array(ratios)
    inside = np.mean((found >= HOLDS[0]) & (found <= HOLDS[1]))
    print(
        f"{title}: {len(found)} spans, scatter / planned median {np.median(found):.2f}"
        f" ({found.min():.2f} to {found.max():.2f}), {100 * inside:.0f} % within"
        f" {HOLDS[0]}-{HOLDS[1]}"
        + (f"; stated / planned median {np.median(stated):.2f}" if stated else ""),
        flush=True,
    )


if __name__ == "__main__":
    main()
