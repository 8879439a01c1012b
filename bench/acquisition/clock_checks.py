"""Whether time went on as it should between two scans: a sleep, a set clock, a late scan."""

from __future__ import annotations

from bench.clock import Clock
from bench.status import Note
from fit.records.events import EventName

SUSPENDED_S = 0.5
CLOCK_JUMP_S = 1.0
LATE_INTERVALS = 2.5  # a scan later than this is a gap
GAP_AT_LEAST_S = 1.0


class Timekeeper:
    """Compares the clocks at every scan."""

    def __init__(self, clock: Clock, interval_s: float, patience_s: float) -> None:
        """
        Args:
            clock: of the bench.
            interval_s: between two scans [s].
            patience_s: with the power on, so long without a scan ends the run [s].
        """
        self._clock = clock
        self._late_s = max(LATE_INTERVALS * interval_s, GAP_AT_LEAST_S)
        self._patience_s = patience_s
        self._suspended_s = clock.suspended_s()
        self._offset_s = self._wall_minus_bench_s()

    def check(self, since_last_s: float | None, power_on: bool | None) -> tuple[list[Note], str]:
        """What happened to time since the last scan.

        Args:
            since_last_s: time since the last scan [s]; None at the first.
            power_on: as switched; None while it is being switched.

        Returns:
            Notes for the record, and why the run must end, empty when it need not.
        """
        notes: list[Note] = []
        slept = self._clock.suspended_s() - self._suspended_s
        if slept > SUSPENDED_S:
            self._suspended_s += slept
            notes.append(self._note(EventName.SUSPEND, suspended_s=round(slept, 3)))
        jump_s = self._wall_minus_bench_s() - self._offset_s
        if abs(jump_s) > CLOCK_JUMP_S:
            self._offset_s += jump_s
            notes.append(self._note(EventName.CLOCK, jump_s=round(jump_s, 3)))
        if since_last_s is None or since_last_s <= self._late_s:
            return notes, ""
        cause = "the computer slept" if slept > SUSPENDED_S else "the logger was held up"
        notes.append(self._note(EventName.GAP, gap_s=round(since_last_s, 3), problem=cause))
        if since_last_s > self._patience_s and power_on is not False:
            return notes, f"{cause}: no scan for {since_last_s:.0f} s with the power on"
        return notes, ""

    def _note(self, event: EventName, **details: object) -> Note:
        return Note(self._clock.now_s(), event, details)

    def _wall_minus_bench_s(self) -> float:
        return self._clock.utc().timestamp() - self._clock.now_s()
