"""Every seed of the demo with every fault: does it say the right thing, how near, how long?

python -m tests.benchmarks.demo_seeds [SEEDS] [FAULT ...]
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from bench.demo import Demonstration, run_demo

EXPECTED = {
    "none": ("conforming", None),
    "pad": ("non-conforming", ("poor-contact", "pad")),
    "sensor": (None, ("sensor-placement", "bar")),
    "power": (None, ("power-error", None)),
}


def main(seeds: int = 20, faults: tuple[str, ...] = tuple(EXPECTED)) -> None:
    """Print one line a fault, and one for every demonstration that says something else."""
    for fault in faults:
        with tempfile.TemporaryDirectory() as folder:
            done = [run_demo(fault, seed, Path(folder) / str(seed)) for seed in range(1, seeds + 1)]
        wrong = [one for one in done if not _as_expected(one)]
        errors = [abs(s.error) for one in done for s in one.spans if _is_pad(s) and s.error]
        seconds = sorted(one.took_s for one in done)
        print(
            f"{fault}: {len(done) - len(wrong)} of {len(done)} as expected; pad against truth "
            f"at most {max(errors):.2%} off; {seconds[len(seconds) // 2]:.1f} s median, "
            f"{seconds[-1]:.1f} s at most"
        )
        for one in wrong:
            findings = ", ".join(f"{f.kind} {f.where}" for f in one.verdict.findings) or "none"
            print(f"  seed {one.unit.seed}: {one.verdict.decision}; findings: {findings}")


def _as_expected(done: Demonstration) -> bool:
    decision, finding = EXPECTED[done.unit.fault]
    lead = next((one for one in done.verdict.findings if one.lead), None)
    if decision is not None and done.verdict.decision != decision:
        return False
    if finding is None or lead is None:
        return finding is None and lead is None
    return lead.kind == finding[0] and finding[1] in (None, lead.where)


def _is_pad(span: object) -> bool:
    return getattr(span, "from_node", "") == "board_back"


if __name__ == "__main__":
    words = sys.argv[1:]
    main(int(words[0]) if words else 20, tuple(words[1:]) or tuple(EXPECTED))
