"""The two things done while a page is open: following the folder, and estimating the spans."""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING

from bench.monitor.page_state import page_state
from bench.monitor.seldom import SeldomJudge
from bench.monitor.server import Board
from bench.monitor.settling import Estimate, Settling
from fit.records.off_path import places
from fit.records.results import to_json
from fit.records.tail import FolderReader

if TYPE_CHECKING:
    from fit.budget.model import Budget
    from fit.records.run import Array

LOOK_EVERY_S = 0.5
SAY_AT_LEAST_EVERY_S = 5.0
SCANS_AT_A_TIME = 500


class Watcher:
    """Follows one run folder and keeps a board up to date."""

    def __init__(self, reader: FolderReader, budget: Budget | None, board: Board) -> None:
        self.reader, self.budget, self.board = reader, budget, board
        self._estimates: list[Estimate] = []
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._threads = [
            threading.Thread(target=work, name=name, daemon=True)
            for name, work in (("follow", self._follow), ("estimate", self._estimate))
        ]

    def start(self) -> None:
        """Begin."""
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """End, and let the pages go."""
        self._stop.set()
        self.board.close()
        self._threads[0].join(5)

    def state(self) -> dict[str, object]:
        """The page's present state."""
        with self._lock:
            estimates = sorted(self._estimates, key=lambda one: one.t_s)
            return page_state(self.reader, estimates, self.budget is not None)

    def _follow(self) -> None:
        said_at, estimates_said = float("-inf"), -1
        while True:
            with self._lock:
                news = self.reader.look()
                if self.reader.restarted:
                    self._estimates.clear()
                count = len(self._estimates)
            due = time.monotonic() - said_at > SAY_AT_LEAST_EVERY_S
            if news or due or count != estimates_said:
                self.board.post(to_json(self.state()))
                said_at, estimates_said = time.monotonic(), count
            if self._stop.wait(LOOK_EVERY_S):
                return

    def _estimate(self) -> None:
        settling = Settling((), self.budget)
        seldom = None if self.budget is None else SeldomJudge(self.budget)
        concluded = -1
        while not self._stop.wait(LOOK_EVERY_S):
            with self._lock:
                several = self.reader.has_several_sources
                nodes, count = () if several else self.reader.path_nodes, self.reader.scans
                # Of a finished run the end comes first: how it got there can wait.
                wanted = self.reader.ended and count != concluded
                if several:
                    wanted = seldom is not None and (wanted or seldom.is_due(count))
                run = self.reader.run() if wanted and count else None
            if nodes != settling.nodes or count < settling.scans:
                settling = Settling(nodes, self.budget, metadata=self.reader.metadata)
            if run is not None:
                concluded = count
                whole = seldom.estimates(run) if several and seldom else settling.conclude(run)
                self._keep(whole)
            while not self._stop.is_set() and (scans := self._next(settling.scans)) is not None:
                for found in settling.take(*scans):
                    self._keep([found])

    def _next(self, taken: int) -> tuple[Array, Array, Array] | None:
        """The next scans that no estimate has seen, a copy; None where there are none."""
        with self._lock:
            reader = self.reader
            part = slice(taken, min(taken + SCANS_AT_A_TIME, reader.scans))
            if part.stop <= part.start:
                return None
            on = places(reader.nodes, reader.metadata.sensors)[0]
            temperature = reader.temperature_degC[part][:, on]
            return reader.t_s[part].copy(), temperature, reader.power[part].copy()

    def _keep(self, found: list[Estimate]) -> None:
        with self._lock:
            self._estimates += found
