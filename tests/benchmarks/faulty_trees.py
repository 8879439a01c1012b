"""How well `check` finds what is wrong with products of several parts.

    python -m tests.benchmarks.faulty_trees [--trees 40] [--heat 180] [--first 3000] [--jobs 2]
                                            [--together] [--list]

Every product of `tests.benchmarks.random_trees` is checked sound and with one fault of each kind:
a pad or the joint in poor contact, vias missing, a bead that hangs loose, all powers or one of them
read wrong, a case that cools badly. All invented.
"""

from __future__ import annotations

import argparse
from collections import Counter
from functools import partial
from multiprocessing import Pool

from fit.assessment.branch_conformity import check_run
from tests.benchmarks.random_trees import FAULTS, KINDS, random_tree, record

Row = tuple[int, str, str, str, str, str, float, str]


def checked(job: tuple[int, str], heat_s: float, together: bool) -> Row:
    """What is said of one product: seed, fault, where, decision, lead and its probability."""
    seed, fault = job
    tree = random_tree(seed, fault)
    verdict = check_run(record(tree, heat_s, together), tree.budget)
    first = verdict.findings[0] if verdict.findings else None
    lead = first if first is not None and first.lead else None
    said = ("", "", 0.0) if lead is None else (lead.kind, lead.where, lead.probability)
    others = "; ".join(f"{f.kind} {f.where} {f.probability:.2f}" for f in verdict.findings[:3])
    return seed, fault, tree.where, verdict.decision, *said, others


def main() -> None:
    """Check many products and print what was found."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--trees", type=int, default=40)
    parser.add_argument("--heat", type=float, default=180.0)
    parser.add_argument("--first", type=int, default=3000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--together", action="store_true")
    parser.add_argument("--list", action="store_true", help="print what is wrong or left open")
    arguments = parser.parse_args()
    seeds = range(arguments.first, arguments.first + arguments.trees)
    jobs = [(seed, fault) for seed in seeds for fault in ("none", *FAULTS)]
    work = partial(checked, heat_s=arguments.heat, together=arguments.together)
    with Pool(arguments.jobs) as pool:
        rows = pool.map(work, jobs, chunksize=1)
    print(f"{arguments.trees} products, {arguments.heat:g} s a part")
    right_of_all = 0
    for fault in ("none", *FAULTS):
        of = [row for row in rows if row[1] == fault]
        kind = KINDS.get(fault, "")
        right = [row for row in of if row[4] == kind and (not row[2] or row[2] == row[5])]
        wrong = [row for row in of if row[4] and row not in right]
        if fault == "none":
            right, wrong = [row for row in of if not row[4]], [row for row in of if row[4]]
        else:
            right_of_all += len(right)
        decisions = ", ".join(f"{n} {name}" for name, n in Counter(row[3] for row in of).items())
        print(f"  {fault:8} lead right {len(right)}, wrong {len(wrong)} of {len(of)}; {decisions}")
        for row in of if arguments.list else ():
            if row not in right:
                print(f"      {row[0]} {row[2]}: {row[3]}; {row[7]}")
    print(f"  one fault: kind and place right {right_of_all} of {len(FAULTS) * arguments.trees}")


if __name__ == "__main__":
    main()
