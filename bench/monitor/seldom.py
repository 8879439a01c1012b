"""The record of several sources judged as `check` does, as often as that may be afforded."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from bench.monitor.settling import Estimate, judged

if TYPE_CHECKING:
    from fit.budget.model import Budget
    from fit.records.run import Run

REST = 10.0  # times what the last judgement took: a tenth of one core at the most


class SeldomJudge:
    """Judges a whole record anew, which takes seconds, and then rests for ten times as long."""

    def __init__(self, budget: Budget, now_s: Callable[[], float] = time.monotonic) -> None:
        """now_s: a clock [s]."""
        self._budget, self._now_s = budget, now_s
        self._due_s, self._scans = -math.inf, 0

    def is_due(self, scans: int) -> bool:
        """Whether a record of so many scans may be judged now."""
        return scans > self._scans and self._now_s() >= self._due_s

    def estimates(self, run: Run) -> list[Estimate]:
        """One estimate of the record so far, or none where it carries none."""
        from fit.assessment.live import verdict_so_far

        started_s = self._now_s()
        verdict = verdict_so_far(run, self._budget)
        ended_s = self._now_s()
        self._due_s, self._scans = ended_s + REST * (ended_s - started_s), len(run.t_s)
        if verdict is None:
            return []
        return [judged(float(run.t_s[-1]), verdict.measured, verdict)]
