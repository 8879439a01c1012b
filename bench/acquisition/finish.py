"""How a heat run ends, and whether the power is then confirmed off."""

from __future__ import annotations

import math
import time
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from bench.acquisition.scan import LOOK_S, ask
from bench.acquisition.station import InstrumentWorker
from bench.clock import Clock
from bench.control.guard import Guard
from bench.rig.channels import drawn_W
from bench.rig.schema import Rig
from bench.status import Trip
from fit.records.events import EndReason

ENDED_BY_BENCH = 4
STILL_GIVEN_S = 2.0  # a meter may take so long to show that the power has gone


@dataclass(frozen=True)
class LogResult:
    """How a heat run ended."""

    folder: Path
    reason: EndReason
    text: str
    exit_status: int  # 0 finished or stopped by the operator, 4 ended by the bench
    power_is_off: bool  # and that was confirmed
    scans: int
    duration_s: float  # of the record [s]


class End(Exception):
    """The way out of the loop, which is no error."""

    def __init__(
        self,
        reason: EndReason,
        text: str,
        exit_status: int = ENDED_BY_BENCH,
        trip: Trip | None = None,
    ) -> None:
        super().__init__(text)
        self.reason, self.text, self.exit_status, self.trip = reason, text, exit_status, trip

    @classmethod
    def tripped(cls, trip: Trip) -> End:
        """By the guard, or by an instrument that fell silent."""
        reason = EndReason.INSTRUMENT if trip.rule == "silence" else EndReason.GUARD
        return cls(reason, trip.text, trip=trip)


def still_given(
    guard: Guard, rig: Rig, stations: Collection[InstrumentWorker], clock: Clock
) -> str:
    """Power that a supply still delivers although it reports off; empty if none or not reported.

    Args:
        guard: knows the heating power of the run.
        rig: says what the readings mean.
        stations: every instrument.
        clock: of the bench.
    """
    open_still = {name: "" for name, one in guard.sources.items() if one.heated}
    deadline = time.monotonic() + STILL_GIVEN_S
    while open_still and time.monotonic() < deadline:
        shown_W = drawn_W(rig, ask(stations, clock, min(1.0, rig.sequence.interval_s)))
        for name in [name for name in open_still if not math.isnan(shown_W[name])]:
            open_still[name] = guard.sources[name].still_on(shown_W[name])
            if not open_still[name]:
                del open_still[name]
        if open_still:
            time.sleep(LOOK_S)
    return "; ".join(filter(None, open_still.values()))
