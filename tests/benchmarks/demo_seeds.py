"""Every seed of the demo with every fault: does it say the right thing, how near, how long?"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

from bench.virtual.scenarios import SCENARIOS

if TYPE_CHECKING:
    from bench.demo import Demonstration

Expected = dict[str, tuple[str | None, tuple[str, str | None] | None]]
EXPECTED: dict[str, Expected] = {
    "one-part": {
        "none": ("conforming", None),
        "pad": ("non-conforming", ("poor-contact", "pad")),
        "sensor": (None, ("sensor-placement", "bar")),
        "power": (None, ("power-error", None)),
    },
    "two-parts": {
        "none": ("conforming", None),
        "pad": ("non-conforming", ("poor-contact", "charger pad")),
        "sensor": (None, ("sensor-placement", "regulator_back")),
        "power": (None, ("power-error", None)),
        "sharing": (None, ("power-sharing", "charger")),
    },
    "junction": {
        "none": ("conforming", None),
        "pad": ("non-conforming", ("poor-contact", "pad")),
        "sensor": (None, ("sensor-placement", "bar")),
        "die": ("non-conforming", ("high-resistance", "junction to tab")),
        "power": (None, ("power-error", None)),
    },
}


def main(scenario: str = "one-part", seeds: int = 20, faults: tuple[str, ...] = ()) -> None:
    """Print one line a fault, and one for every demonstration that says something else."""
    # As the command has it: threads that wait for each other would count as time.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from bench.demo import run_demo

    for fault in faults or tuple(EXPECTED[scenario]):
        expected = EXPECTED[scenario][fault]
        done, seconds = [], []
        with tempfile.TemporaryDirectory() as folder:
            for seed in range(1, seeds + 1):
                began = time.process_time()
                place = Path(folder) / str(seed)
                done.append(run_demo(fault, seed, place, scenario=SCENARIOS[scenario]))
                seconds.append(time.process_time() - began)
        wrong = [one for one in done if not _as_expected(one, expected)]
        errors = [abs(s.error) for one in done for s in one.spans if _is_pad(s) and s.error]
        seconds.sort()
        print(
            f"{fault}: {len(done) - len(wrong)} of {len(done)} as expected; pad against truth "
            f"at most {max(errors):.2%} off; {seconds[len(seconds) // 2]:.1f} s of "
            f"processor median, {seconds[-1]:.1f} s at most"
        )
        for one in wrong:
            findings = ", ".join(f"{f.kind} {f.where}" for f in one.verdict.findings) or "none"
            print(f"  seed {one.unit.seed}: {one.verdict.decision}; findings: {findings}")


def _as_expected(
    done: Demonstration, expected: tuple[str | None, tuple[str, str | None] | None]
) -> bool:
    decision, finding = expected
    lead = next((one for one in done.verdict.findings if one.lead), None)
    if decision is not None and done.verdict.decision != decision:
        return False
    if finding is None or lead is None:
        return finding is None and lead is None
    return lead.kind == finding[0] and finding[1] in (None, lead.where)


def _is_pad(span: object) -> bool:
    return getattr(span, "from_node", "") in ("board_back", "charger_back")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.demo_seeds", description=__doc__
    )
    parser.add_argument("scenario", nargs="?", choices=EXPECTED, default="one-part")
    parser.add_argument("seeds", nargs="?", type=int, default=20, help="from 1 up to this")
    parser.add_argument("fault", nargs="*", help="these alone")
    chosen = parser.parse_args()
    main(chosen.scenario, chosen.seeds, tuple(chosen.fault))
