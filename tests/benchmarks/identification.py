"""Identification's evidence in one place: random rigs with every nuisance, and a conductor slab.

    python -m tests.benchmarks.identification [--rigs 200] [--short 60] [--out FILE]

1. `tests.benchmarks.random_rigs`: errors of the spans and how often their intervals hold, from 30
   minutes of heating and from 90 s. With --out every span of every rig is written as a line of
   CSV, to be analysed otherwise or compared with another program's.
2. A uniform slab heated on one face and held at the other: amplitudes 8/π²/(2n-1)² of its total
   resistance and time constants 4/π²/(2n-1)² of R C (Carslaw & Jaeger, Conduction of Heat in
   Solids, § 3.4), recovered from its exact step response, read with less and less noise.
"""

from __future__ import annotations

import argparse
import csv
from pathlib import Path

import numpy as np

from fit.identification.identify import identify
from fit.records.run import Array, Run
from tests.benchmarks.random_rigs import Scores, report, score

SLAB_R_K_PER_W, SLAB_RC_S, POWER_W = 2.0, 400.0, 5.0
TERMS = 200


def slab() -> tuple[Array, Array]:
    """Foster amplitudes [K/W] and time constants [s] of the slab's heated face, slowest first."""
    odd = 1 + 2 * np.arange(TERMS, dtype=np.float64)
    return 8 / np.pi**2 / odd**2 * SLAB_R_K_PER_W, 4 / np.pi**2 / odd**2 * SLAB_RC_S


def slab_run(noise_K: float, seed: int = 1) -> Run:
    """The heated face above the held one: 30 s of rest, then a step, read twice a second."""
    t_s = np.arange(0.0, 1230.0, 0.5)
    amplitude, tau = slab()
    age = np.maximum(t_s - 30.0, 0.0)[:, None]
    rise = POWER_W * (1 - np.exp(-age / tau)) @ amplitude
    noise = noise_K * np.random.default_rng(seed).standard_normal((len(t_s), 2))
    readings = np.column_stack([25 + rise, np.full(len(t_s), 25.0)]) + noise
    power = np.where(t_s >= 30.0, POWER_W, 0.0)
    return Run(Path("slab"), "slab", ("face", "ambient"), t_s, readings, power)


def show_slab() -> None:
    amplitude, tau = slab()
    share = amplitude / SLAB_R_K_PER_W
    print(f"Slab: true shares {share[:3].round(4)}, time constants {tau[:3].round(3)} s")
    for noise_K in (0.1, 0.01, 0.001):
        response = identify(slab_run(noise_K))
        slow = slice(None, None, -1)
        found, u = response.foster_R_K_per_W[slow], response.foster_R_u_K_per_W[slow]
        print(f"  noise {noise_K:g} K: {len(found)} time constants")
        print(f"    shares {(found / SLAB_R_K_PER_W).round(4)} u {(u / SLAB_R_K_PER_W).round(4)}")
        print(f"    time constants {response.tau_s[slow].round(3)} s")


def write(path: Path, scores: Scores, heat_s: float) -> None:
    """Append every inner span as a line of CSV."""
    new = not path.exists()
    with path.open("a", newline="", encoding="utf-8") as file:
        lines = csv.writer(file)
        if new:
            names = ("true_K_per_W", "relative_error", "relative_u", "least_relative_u")
            lines.writerow(("heat_s", "seed", *names))
        figures = (scores.true, scores.error, scores.u, scores.least_u)
        for seed, *values in zip(scores.seed, *figures, strict=True):
            lines.writerow((heat_s, int(seed), *(f"{value:.5g}" for value in values)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rigs", type=int, default=200)
    parser.add_argument("--short", type=int, default=60, help="rigs heated for 90 s only")
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    for heat_s, rigs in ((1800.0, options.rigs), (90.0, options.short)):
        scores = score(rigs, heat_s)
        report(scores, f"{rigs} random rigs, {heat_s:.0f} s of heating")
        if options.out is not None:
            write(options.out, scores, heat_s)
    show_slab()


if __name__ == "__main__":
    main()
