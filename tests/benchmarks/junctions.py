"""How well a junction is measured by its forward voltage: made parts against their own truth.

    python -m tests.benchmarks.junctions [--parts 100] [--seed 1000] [--first MS] [--lumps]
                                         [--sources]

Each part is a die on solder or glue on copper, of 1-3 K/W and 5-50 ms, in a product whose tab rises
by 9 K/W; thermocouple with gain, offset, lag, noise and steps; converter with noise and steps;
power off by 0.5 %. Calibrated by its own cool-down. Seeds below 1000 are those that constants were
chosen by.

`--sources`: the part is one of the two or three of a random product (`random_trees`), the first to
go off or the last: all on for 900 s, then off one after another, each 900 s after the one before,
then 900 s without power. Each power and each share of the path is off by what is stated of it.
"""

from __future__ import annotations

import argparse
from contextlib import suppress
from dataclasses import replace

import numpy as np

from fit.errors import NotIdentifiable
from fit.measurement.branches import measure_branches
from fit.measurement.junction import Junction, measure_junction
from fit.signals.preparation import prepare
from tests.support.made_branch_junctions import chip_on_random_tree, chip_run
from tests.support.made_junctions import draw_part, draw_reading, lump, made_run

K95 = 1.96  # of a normal distribution


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


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--parts", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--first", type=float, help="age of the first reading, ms")
    parser.add_argument("--lumps", action="store_true", help="every part a single lump")
    parser.add_argument("--sources", action="store_true", help="one part of several")
    options = parser.parse_args()
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
