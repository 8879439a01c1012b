"""How well spans of products that are fields are measured and judged.

    python -m tests.benchmarks.field [--sound 40] [--faulty 63] [--first 0] [--heat 90 300 7200]
                                     [--jobs 2] [--list]

Seeds below 1000 were looked at while the program was built, those above only to judge it. `u` is
the stated standard uncertainty; a span is claimed where the program calls it resolved.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from collections import Counter
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from tests.benchmarks.field.draw import FAULTS, LIMIT, random_rig
from tests.benchmarks.field.product import NODES

GROUPS = tuple(f"{a} - {b}" for a, b in zip(NODES, (*NODES[1:], "ambient"), strict=True))
LARGE_K_PER_W = 0.6


@dataclass(frozen=True)
class Row:
    """One product after one time of heating."""

    seed: int
    fault: str
    heat_s: float
    true: tuple[float, ...]
    measured: tuple[float, ...]
    u: tuple[float, ...]
    resolved: tuple[bool, ...]
    decisions: tuple[str, ...]
    over: tuple[bool, ...]  # true resistance over the limit
    decision: str
    lead: tuple[str, str] | None
    cause: tuple[str, str] | None
    problem: str = ""


def judge(task: tuple[int, str, tuple[float, ...]]) -> list[Row]:
    """Draw a product, and judge its record after each time of heating."""
    import fit
    from fit.errors import HeatrunError

    seed, fault, heats = task
    rig = random_rig(seed, fault)
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for heat_s in heats:
            true = rig.true_K_per_W(heat_s)
            run, budget = rig.write(Path(folder), heat_s)
            try:
                verdict = fit.check(fit.measure(fit.read_run(run)), fit.read_budget(budget))
            except HeatrunError as error:
                nan = (np.nan,) * 4
                none = (False,) * 4
                rows.append(Row(seed, fault, heat_s, tuple(true), nan, nan, none,
                                ("undecided",) * 4, none, "refused", None, rig.cause,
                                str(error)))  # fmt: skip
                continue
            spans = verdict.measured
            u = np.sqrt(np.diag(spans.total_covariance))
            leads = [(f.kind, f.where) for f in verdict.findings if f.lead]
            limits = LIMIT * rig.predicted_K_per_W
            rows.append(
                Row(seed, fault, heat_s, tuple(true), tuple(spans.R_K_per_W),
                    tuple(u), tuple(map(bool, spans.resolved)),
                    tuple(str(s.decision) for s in verdict.spans),
                    tuple(map(bool, true > limits)), str(verdict.decision),
                    leads[0] if leads else None, rig.cause)
            )  # fmt: skip
    return rows


def accuracy(rows: list[Row]) -> None:
    """Of every span between sound thermocouples and true watts: how far off, how sure."""
    kept = [r for r in rows if r.fault not in ("thermocouple", "power") and not r.problem]
    true, measured, u = (np.array([getattr(r, k) for r in kept]) for k in ("true", "measured", "u"))
    resolved = np.array([r.resolved for r in kept])
    decided = np.array([[d != "undecided" for d in r.decisions] for r in kept])
    error = measured - true
    z = error / u
    for i, name in enumerate((*GROUPS, "inner, >= 0.6 K/W")):
        pick = resolved[:, i] if i < 4 else None
        if pick is not None:
            e, t, zz, total = error[:, i][pick], true[:, i][pick], z[:, i][pick], len(kept)
            dec = decided[:, i]
        else:
            large = true[:, :3] >= LARGE_K_PER_W
            mask = resolved[:, :3] & large
            e, t, zz, total = (error[:, :3][mask], true[:, :3][mask], z[:, :3][mask],
                               int(large.sum()))  # fmt: skip
            dec = decided[:, :3][large]
        if not len(e):
            print(f"  {name:>18}: none of {total} claimed")
            continue
        relative = 100 * np.abs(e / t)
        print(
            f"  {name:>18}: claimed {len(e):3} of {total:3}, |error| median"
            f" {np.median(relative):5.2f} %, 95th {np.percentile(relative, 95):6.2f} %, 95 % hold"
            f" {100 * np.mean(np.abs(zz) < 1.96):5.1f} %, rms z {np.sqrt(np.mean(zz**2)):5.2f},"
            f" mean z {np.mean(zz):+5.2f}, decided {100 * dec.mean():5.1f} %"
        )


def verdicts(rows: list[Row]) -> None:
    """Of faulty and sound products: what was decided, and what was blamed."""
    sound = [r for r in rows if r.fault == "none"]
    faulty = [r for r in rows if r.fault != "none"]
    flagged = sum(r.decision == "non-conforming" for r in sound)
    print(f"  sound: {len(sound)}, flagged {flagged}")
    over = [(r, i) for r in rows for i in range(4) if r.over[i] and r.fault not in
            ("thermocouple", "power")]  # fmt: skip
    missed = sum(r.decisions[i] == "conforming" for r, i in over)
    found = sum(r.decisions[i] == "non-conforming" for r, i in over)
    print(f"  spans over their limit: {len(over)}, found {found}, called conforming {missed}")
    leading = [r for r in faulty if r.lead]
    right = sum(r.lead == r.cause for r in leading)
    print(f"  faulty: {len(faulty)}, with a lead {len(leading)}, right {right}")
    confused = Counter(
        f"{r.fault} led as {r.lead[0]} at {r.lead[1]}" for r in leading if r.lead != r.cause
    )
    for text, count in confused.most_common():
        print(f"     {count} x {text}")
    problems = [f"{r.seed} {r.fault}: {r.problem}" for r in rows if r.problem]
    if problems:
        print("  refused:", len(problems), *problems[:3], sep="\n     ")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sound", type=int, default=40)
    parser.add_argument("--faulty", type=int, default=63)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--heat", type=float, nargs="*", default=[90.0, 300.0, 7200.0])
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--list", action="store_true", help="print the spans that are far out")
    chosen = parser.parse_args()
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    heats = tuple(chosen.heat)
    tasks = [(chosen.first + i, "none", heats) for i in range(chosen.sound)]
    tasks += [
        (chosen.first + 500 + i, FAULTS[i % len(FAULTS)], heats) for i in range(chosen.faulty)
    ]
    with get_context("spawn").Pool(chosen.jobs) as pool:
        rows = [row for part in pool.map(judge, tasks, chunksize=1) for row in part]
    for heat_s in heats:
        these = [row for row in rows if row.heat_s == heat_s]
        print(f"after {heat_s:.0f} s of heating")
        accuracy(these)
        verdicts(these)
        if chosen.list:
            for r in these:
                z = (np.array(r.measured) - r.true) / r.u
                if r.fault not in ("thermocouple", "power") and np.any(
                    (np.abs(z) > 2.5) & np.array(r.resolved)
                ):
                    print(f"    {r.seed} {r.fault} z {z.round(1)} true {np.round(r.true, 3)}"
                          f" measured {np.round(r.measured, 3)}")  # fmt: skip
