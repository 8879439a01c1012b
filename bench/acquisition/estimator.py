"""Live estimate of the end state, in a process of its own, so that no scan waits.

The logger hands on each scan and picks up the newest estimate when there is one. Only this process
imports scipy and lmfit. On the lock-step bench the same is done in line.
"""

from __future__ import annotations

import contextlib
import json
import math
import queue
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from bench.safety.priority import step_behind
from bench.safety.processes import start_child
from bench.status import Estimate, Scan, SpanEstimate
from fit.records.source_columns import power_columns

if TYPE_CHECKING:
    from fit.assessment.conformity import Verdict
    from fit.budget.model import Budget
    from fit.measurement.spans import Spans

WAITING_AT_MOST = 20_000  # scans not yet handed on; beyond, the estimator has hung
EVERY_S = 2.0  # of the computer's clock, between two estimates
SHARE = 0.25  # of one core the process may use at the most
SHARE_OF_SEVERAL = 0.1  # the same where each estimate tries every cause anew, for seconds
GROWTH = 0.1  # in line: an estimate each time the record has grown by this share
GROWTH_OF_SEVERAL = 0.5
FIRST_S = 30.0
FINAL_U = 0.1  # relative; a final temperature less sure than that is not shown
LEAVE_S = 2.0


class Estimator(Protocol):
    """What the logger needs of an estimator."""

    def add(self, scan: Scan) -> None:
        """Take one scan; returns at once."""
        ...

    def latest(self) -> Estimate | None:
        """The newest estimate, if there is one."""
        ...

    def close(self) -> None:
        """No more scans."""
        ...


class NoEstimator:
    """No estimate is made."""

    def add(self, scan: Scan) -> None:
        pass

    def latest(self) -> Estimate | None:
        return None

    def close(self) -> None:
        pass


class Reckoning:
    """The estimate itself, from the scans so far."""

    def __init__(
        self,
        nodes: Sequence[str],
        budget: Budget | None,
        document: Mapping[str, object] | None = None,
        sources: Sequence[str] = (),
    ) -> None:
        """What to reckon with.

        Args:
            nodes: of the path, in the order of the readings.
            budget: to judge by; several sources need one.
            document: run.json as far as it is known, for the accuracy that it states.
            sources: names of several sources.
        """
        from fit.assessment.live import LiveJudge
        from fit.measurement.streaming import Follower
        from fit.records.metadata import metadata_from
        from fit.records.run_folder import DOCUMENT

        self._nodes = tuple(nodes)
        self._follower = Follower(
            self._nodes,
            metadata=metadata_from(document or {}, Path(DOCUMENT)),
            sources=tuple(sources),
        )
        self._budget, self.sources = budget, tuple(sources)
        self._judge = None if budget is None else LiveJudge(budget)
        self._t_s = 0.0

    def add(self, t_s: float, temperature_degC: Sequence[float], power_W: Sequence[float]) -> None:
        """Take one scan: time [s], temperatures of the nodes [degC], power of each source [W]."""
        import numpy as np

        if all(map(math.isfinite, power_W)):
            self._follower.add(t_s, list(temperature_degC), np.array(power_W))
            self._t_s = t_s

    def estimate(self) -> Estimate | None:
        """None while the scans do not carry one."""
        if self.sources:
            return self._of_several()
        spans = self._follower.spans()
        if spans is None:
            return None
        slowest = spans.responses[-1]
        return Estimate(
            self._t_s,
            tuple(map(float, slowest.tau_s)),
            final_degC(spans),
            tuple(self._decided(spans)),
        )

    def _of_several(self) -> Estimate | None:
        from fit.assessment.live import verdict_so_far

        if self._budget is None:
            return None
        verdict = verdict_so_far(self._follower.record(), self._budget)
        if verdict is None:
            return None
        return Estimate(
            self._t_s,
            final_degC=final_degC(verdict.measured),
            spans=tuple(judged_spans(verdict)),
        )

    def _decided(self, spans: Spans) -> list[SpanEstimate]:
        import numpy as np

        from fit.measurement.resolution import are_resolved

        verdict = None if self._judge is None else self._judge.verdict(spans)
        if verdict is not None:
            return judged_spans(verdict)
        u = np.sqrt(np.diag(spans.total_covariance))
        known = are_resolved(spans.R_K_per_W, u)
        found = zip(spans.topology.links, spans.R_K_per_W, u, known, strict=True)
        return [
            SpanEstimate(start, end, float(R), float(one_u), resolved=bool(sure))
            for (start, end), R, one_u, sure in found
        ]


def judged_spans(verdict: Verdict) -> list[SpanEstimate]:
    from fit.assessment.conformity import resolved_verdicts

    return [
        SpanEstimate(
            one.from_node,
            one.to_node,
            one.measured_K_per_W,
            one.measured_u_K_per_W or 0.0,
            one.limit_K_per_W,
            one.decision,
            resolved,
            one.stages,
        )
        for one, resolved in zip(verdict.spans, resolved_verdicts(verdict.spans), strict=True)
        if one.measured_K_per_W is not None
    ]


def powers_W(scan: Scan, sources: Sequence[str]) -> list[float]:
    """Recorded power of each of several sources at a scan, of the only one where none is named [W].

    Args:
        scan: with the power columns of the record.
        sources: their names, () for one.
    """
    if not sources:
        return [scan.power_W]
    each = {
        one.source: math.prod(scan.columns[name] for name in one.columns)
        for one in power_columns(list(scan.columns))
    }
    return [each.get(name, math.nan) for name in sources]


def final_degC(spans: Spans) -> dict[str, float]:
    """Where each node settles [degC], of the nodes whose rise is known to FINAL_U."""
    import numpy as np

    ways = spans.topology.ways
    totals = ways @ spans.R_K_per_W
    u = np.sqrt(np.diag(ways @ spans.total_covariance @ ways.T))
    known = np.append(u <= FINAL_U * np.abs(totals), True)
    ends = zip(spans.nodes, spans.final_degC, known, strict=True)
    return {node: float(final) for node, final, sure in ends if sure}


class InlineEstimator:
    """For the lock-step bench: estimates in the logger's own thread, seldom."""

    def __init__(
        self,
        nodes: Sequence[str],
        budget: Budget | None,
        document: Mapping[str, object],
        sources: Sequence[str] = (),
    ) -> None:
        self._reckoning = Reckoning(nodes, budget, document, sources)
        self._growth = GROWTH_OF_SEVERAL if sources else GROWTH
        self._nodes = nodes
        self._due_s = -math.inf
        self._latest: Estimate | None = None

    def add(self, scan: Scan) -> None:
        if self._due_s == -math.inf:
            self._due_s = scan.t_s + FIRST_S
        row = [scan.temperature_degC[node] for node in self._nodes]
        self._reckoning.add(scan.t_s, row, powers_W(scan, self._reckoning.sources))
        if scan.t_s >= self._due_s:
            self._due_s = scan.t_s * (1 + self._growth)
            self._latest = self._reckoning.estimate() or self._latest

    def latest(self) -> Estimate | None:
        return self._latest

    def close(self) -> None:
        pass


class ProcessEstimator:
    """Estimates in another process; when that dies the run goes on without estimates."""

    def __init__(
        self,
        nodes: Sequence[str],
        budget_path: Path | None,
        document: Mapping[str, object] | None = None,
        sources: Sequence[str] = (),
    ) -> None:
        self._nodes, self._sources = tuple(nodes), tuple(sources)
        self._latest: Estimate | None = None
        self._rows: queue.Queue[list[float | None] | None] = queue.Queue(WAITING_AT_MOST)
        self._process = start_child("bench.acquisition.estimator", quiet=True)
        head = {
            "nodes": self._nodes,
            "budget": str(budget_path) if budget_path else None,
            "document": document,
            "sources": self._sources,
        }
        self._threads = [
            threading.Thread(target=self._hand_on, args=(head,), daemon=True, name="estimator in"),
            threading.Thread(target=self._pick_up, daemon=True, name="estimator out"),
        ]
        for thread in self._threads:
            thread.start()

    def add(self, scan: Scan) -> None:
        temperatures = (scan.temperature_degC[node] for node in self._nodes)
        values = (scan.t_s, *powers_W(scan, self._sources), *temperatures)
        with contextlib.suppress(queue.Full):
            self._rows.put_nowait([value if math.isfinite(value) else None for value in values])

    def latest(self) -> Estimate | None:
        return self._latest

    def close(self) -> None:
        with contextlib.suppress(queue.Full):
            self._rows.put_nowait(None)
        self._process.terminate()
        with contextlib.suppress(Exception):
            self._process.wait(LEAVE_S)
        self._process.kill()
        for thread in self._threads:
            thread.join(LEAVE_S)

    def _hand_on(self, head: dict[str, object]) -> None:
        assert self._process.stdin is not None
        with contextlib.suppress(OSError), self._process.stdin as pipe:
            pipe.write(json.dumps(head).encode() + b"\n")
            while (row := self._rows.get()) is not None:
                pipe.write(json.dumps(row).encode() + b"\n")
                if self._rows.empty():
                    pipe.flush()

    def _pick_up(self) -> None:
        assert self._process.stdout is not None
        with self._process.stdout as pipe:
            for line in pipe:
                with contextlib.suppress(ValueError, TypeError, KeyError):
                    self._latest = estimate_from(json.loads(line))


def estimate_from(document: dict[str, Any]) -> Estimate:
    """An estimate from its own `asdict`, as it comes through the pipe."""
    return Estimate(
        document["t_s"],
        tuple(document["tau_s"]),
        document["final_degC"],
        tuple(SpanEstimate(**span) for span in document["spans"]),
    )


def main() -> None:
    """The process: rows of numbers in on standard input, estimates out, one JSON line each."""
    step_behind()
    head = json.loads(sys.stdin.readline())
    rows: queue.SimpleQueue[list[float | None] | None] = queue.SimpleQueue()
    threading.Thread(target=_read, args=(rows,), daemon=True).start()
    from fit.budget import read_budget

    budget = read_budget(Path(head["budget"])) if head["budget"] else None
    sources = head["sources"]
    reckoning = Reckoning(head["nodes"], budget, head["document"], sources)
    share, powers = SHARE_OF_SEVERAL if sources else SHARE, max(1, len(sources))
    pause_s = EVERY_S
    while True:
        due = time.monotonic() + pause_s
        while (left := due - time.monotonic()) > 0:
            try:
                row = rows.get(timeout=left)
            except queue.Empty:
                break
            if row is None:
                return
            t_s, *values = (math.nan if one is None else one for one in row)
            reckoning.add(t_s, values[powers:], values[:powers])
        started = time.monotonic()
        estimate = reckoning.estimate()
        pause_s = max(EVERY_S, (time.monotonic() - started) / share)
        if estimate is not None:
            print(json.dumps(asdict(estimate)), flush=True)


def _read(rows: queue.SimpleQueue[list[float | None] | None]) -> None:
    for line in sys.stdin:
        rows.put(json.loads(line))
    rows.put(None)


if __name__ == "__main__":
    main()
