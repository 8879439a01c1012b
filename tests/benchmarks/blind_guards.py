"""Broken sensors on guarded nodes: `python -m tests.benchmarks.blind_guards`.

By the prototype's truth none may heat its node more than 5 K past its limit while the reading lies.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.support.broken_sensors import lying_run, twenty

MOST_PAST_K = 5.0


def main() -> int:
    """Number of sensors that let their node past its limit."""
    failures = 0
    with tempfile.TemporaryDirectory() as place:
        for number, (name, lie, at_s, limits) in enumerate(twenty()):
            done = lying_run(Path(place) / str(number), lie, at_s, limits)
            ((node, limit),) = limits.items()
            past_K = done.truth_degC[node] - limit
            bad = past_K > MOST_PAST_K or done.result.exit_status != 4
            failures += bad
            print(f"{'BAD ' if bad else ''}{name}: {past_K:+.1f} K past; {done.result.text}")
    return failures


if __name__ == "__main__":
    sys.exit(1 if main() else 0)
