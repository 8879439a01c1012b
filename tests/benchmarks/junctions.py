"""How well a junction is measured by its forward voltage: made parts against their own truth.

    python -m tests.benchmarks.junctions [--parts 100] [--seed 1000] [--first MS] [--lumps]
                                         [--sources]
                                         [--planned DRAWS]

Each part is a die on solder or glue on copper, of 1-3 K/W and 5-50 ms, in a product whose tab rises
by 9 K/W; thermocouple with gain, offset, lag, noise and steps; converter with noise and steps;
power off by 0.5 %. Calibrated by its own cool-down. Seeds below 1000 are those that constants were
chosen by.

`--sources`: the part is one of the two or three of a random product (`random_trees`), the first to
go off or the last: all on for 900 s, then off one after another, each 900 s after the one before,
then 900 s without power. Each power and each share of the path is off by what is stated of it.

`--planned`: each part is planned first, by its R and R C alone, then read DRAWS times with new
noise, gain and lag of the bead, curve of the silicon and error of the power. Scatter is what comes
out from draw to draw, over what was planned but for the method, which is one and the same in every
draw; stated is the median of what the runs state, over all that was planned.
"""

from __future__ import annotations

import argparse
from contextlib import suppress
from dataclasses import replace

import numpy as np

from fit.errors import NotIdentifiable
from fit.measurement.branches import measure_branches
from fit.measurement.junction import Junction, measure_junction
from fit.planning.forward_voltage import ForwardVoltage, Heated, Scanned
from fit.planning.junction import contributions
from fit.records.run import Array
from fit.signals.preparation import prepare
from tests.support.made_branch_junctions import chip_on_random_tree, chip_run
from tests.support.made_junctions import (
    COOL_S,
    HEAT_S,
    OUTER_K_PER_W,
    OUTER_TAU_S,
    SOAK_S,
    Part,
    Reading,
    draw_part,
    draw_reading,
    lump,
    made_run,
)

K95 = 1.96  # of a normal distribution
HOLDS = (0.7, 1.4)
POWER_W, AMBIENT_degC, SCAN_S = 4.2, 23.0, 1.0  # of a made run


def trial(
    seed: int, first_s: float | None, lumped: bool, several: bool
) -> tuple[float, float, Junction | None]:
    """True resistance [K/W], true time constant [s] and what was measured, None where refused."""
    random = np.random.default_rng(seed)
    part = draw_part(random)
    if lumped:
        part = lump(part.total_K_per_W, float(part.tau_s.max()))
    reading = draw_reading(random)
    if first_s is not None:
        reading = replace(reading, first_s=first_s, window_s=max(reading.window_s, 3 * first_s))
    found = None
    if several:
        made = chip_on_random_tree(seed, part, reading)
        found = measure_branches(chip_run(made), made.tree.budget).spans.junction
    else:
        run = made_run(part, reading, random)
        with suppress(NotIdentifiable):
            found = measure_junction(run, prepare(run))
    return part.total_K_per_W, float(part.tau_s.max()), found


def planned(part: Part, reading: Reading) -> dict[str, float]:
    """Standard uncertainty by source [K/W] that a plan expects, by the part's R and R C alone."""
    R = part.total_K_per_W

    def tab_rise_K(since_s: Array) -> Array:
        return POWER_W * -np.expm1(-since_s[:, np.newaxis] / OUTER_TAU_S) @ OUTER_K_PER_W

    tau_s = float(part.R_K_per_W @ part.tau_s) / R
    heated = Heated(R * POWER_W, tau_s, POWER_W, AMBIENT_degC, tab_rise_K)
    voltage = ForwardVoltage(
        "junction",
        COOL_S,
        every_s=reading.every_s,
        first_s=reading.first_s,
        last_s=reading.window_s,
        readings=1 + round((reading.window_s - reading.first_s) / reading.apart_s),
        noise_V=reading.noise_V,
        step_V=reading.step_V,
    )
    scanned = Scanned(
        tab="tab",
        interval_s=SCAN_S,
        soak_s=SOAK_S,
        noise_K=reading.noise_K,
        step_K=reading.step_K,
        match_u=reading.match_u,
        power_u=reading.power_u,
    )
    return contributions(heated, voltage, scanned, HEAT_S)


def read_again(part: Part, reading: Reading, seed: int, draws: int) -> tuple[Array, Array]:
    """What repeated runs of one part measure, and the uncertainty that each states [K/W]."""
    random = np.random.default_rng([seed, 1])
    found = []
    for _ in range(draws):
        other = draw_reading(random)
        run = made_run(
            part,
            replace(
                reading,
                gain=other.gain,
                offset_K=other.offset_K,
                lag_s=other.lag_s,
                power_error=other.power_error,
                curvature=other.curvature,
            ),
            random,
            POWER_W,
        )
        one = measure_junction(run, prepare(run))
        assert one is not None
        found.append((one.R_K_per_W, one.u_K_per_W))
    R, u = np.array(found).T
    return R, u


def promised(parts: int, first: int, draws: int) -> tuple[Array, Array]:
    """Scatter over planned, and stated over planned, of every part; printed one by one."""
    ratios = []
    for seed in range(first, first + parts):
        random = np.random.default_rng(seed)
        part, reading = draw_part(random), draw_reading(random)
        expected = planned(part, reading)
        whole = float(np.sqrt(sum(u**2 for u in expected.values())))
        but_method = float(np.sqrt(whole**2 - expected["method"] ** 2))
        R, u = read_again(part, reading, seed, draws)
        ratios.append((float(R.std(ddof=1)) / but_method, float(np.median(u)) / whole))
        share = {name: round(100 * u / part.total_K_per_W, 2) for name, u in expected.items()}
        print(
            f"part {seed}: {part.total_K_per_W:.2f} K/W, planned {share} %, scatter / planned "
            f"{ratios[-1][0]:.2f}, stated / planned {ratios[-1][1]:.2f}",
            flush=True,
        )
    scatter, stated = np.array(ratios).T
    return scatter, stated


def _say(title: str, ratio: Array) -> None:
    inside = np.mean((ratio >= HOLDS[0]) & (ratio <= HOLDS[1]))
    print(
        f"{title} / planned: median {np.median(ratio):.2f} ({ratio.min():.2f} to {ratio.max():.2f})"
        f", {inside:.0%} within {HOLDS[0]}-{HOLDS[1]}"
    )


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--parts", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--first", type=float, help="age of the first reading, ms")
    parser.add_argument("--lumps", action="store_true", help="every part a single lump")
    parser.add_argument("--sources", action="store_true", help="one part of several")
    parser.add_argument("--planned", type=int, metavar="DRAWS", help="plan against repeated runs")
    options = parser.parse_args()
    if options.planned:
        scatter, stated = promised(options.parts, options.seed, options.planned)
        _say("scatter", scatter)
        _say("stated", stated)
        return
    first_s = None if options.first is None else 1e-3 * options.first
    trials = [
        trial(options.seed + i, first_s, options.lumps, options.sources)
        for i in range(options.parts)
    ]
    kept = [(R, tau, found) for R, tau, found in trials if found is not None]
    print(f"{len(trials)} parts, {len(trials) - len(kept)} refused")
    if not kept:
        return
    truth = np.array([R for R, _, _ in kept])
    tau = np.array([one for _, one, _ in kept])
    R = np.array([found.R_K_per_W for _, _, found in kept])
    u = np.array([found.u_K_per_W for _, _, found in kept])
    error = R / truth - 1
    print(
        f"error {np.mean(error):+.1%}, scatter {np.std(error):.1%}, largest "
        f"{np.abs(error).max():.1%}; stated u {np.median(u / R):.1%} (median)"
    )
    held = np.abs(R - truth) <= K95 * u
    print(f"95 % intervals hold {held.mean():.1%}")
    for name in kept[0][2].covariance:
        part = np.array([np.sqrt(found.covariance[name]) for _, _, found in kept])
        print(f"  u of {name}: {np.median(part / R):.2%}")
    for low, high in ((5, 8), (8, 15), (15, 50)):
        some = (tau >= 1e-3 * low) & (tau < 1e-3 * high)
        if some.any():
            print(
                f"  {low}-{high} ms: {some.sum()} parts, error {error[some].mean():+.1%} ± "
                f"{error[some].std():.1%}, held {held[some].mean():.1%}"
            )
    ratio = np.array([found.tau_s for _, _, found in kept]) / tau
    print(f"  time constant to 1/e over the part's slowest: {np.median(ratio):.2f} (median)")


if __name__ == "__main__":
    main()
