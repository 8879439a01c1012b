"""The heat run: the loop, and nothing else.

Everything it moves along has its own room: `station` reads, `guard` judges, `sequence` decides,
`switchboard` switches, `RunWriter` writes, the watchdogs wait for this program to die.
"""

from __future__ import annotations

import contextlib
import math
import time
from collections import deque
from collections.abc import Mapping
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from bench.acquisition.clock_checks import Timekeeper
from bench.acquisition.finish import ENDED_BY_BENCH, End, LogResult, still_given
from bench.acquisition.resume import standing
from bench.acquisition.scan import ask, first_readings, make_scan, power_columns
from bench.acquisition.start import (
    Started,
    begin,
    further_along,
    go_on,
    heated_by,
    make_estimator,
    power_switches,
    start_with_power_off,
)
from bench.acquisition.station import InstrumentWorker, close_stations, open_stations
from bench.acquisition.switchboard import Switchboard, named
from bench.acquisition.windows import WindowRecord
from bench.clock import Clock
from bench.control.guard import Guard, patience_s
from bench.control.slopes import slope
from bench.rig.schema import Rig
from bench.safety.priority import ahead_of_others
from bench.safety.signals import StopRequests
from bench.safety.watchdogs import Watchdogs
from bench.status import NoView, Scan, Status, Trip, View, describe
from fit.errors import HeatrunError, RecordError
from fit.records.events import EndReason, EventName, Phase

if TYPE_CHECKING:
    from bench.acquisition.estimator import Estimator
    from fit.budget.model import Budget

SLICE_S = 0.1  # waiting for the next scan is cut so that a stop is heard soon
SHOW_EVERY_S = 0.5  # of the computer's clock: at most two redraws a second
SLOPE_EVERY_S = 0.5
SLOPE_POINTS = 61  # slopes shown are taken over half a minute, or over so many scans


def heat_run(
    rig: Rig,
    *,
    clock: Clock,
    folder: Path | None = None,
    budget: Budget | None = None,
    view: View | None = None,
    label: str = "",
    resume: Path | None = None,
    keyboard: IO[str] | None = None,
    estimate: bool | None = None,
    announce: str = "",
    notes: tuple[str, ...] = (),
    labels: Mapping[str, object] | None = None,
) -> LogResult:
    """Log one heat run: soak, heat, cool, with the power off at every end of it.

    Ctrl-C, SIGTERM and SIGHUP end the run in order. Nothing is created before every instrument
    has answered and the power has been switched off.

    Args:
        rig: as read.
        clock: real, or lock-step with virtual instruments.
        folder: run folder to create; `runs/<UTC start>_<label>` when None.
        budget: for the live decision of every span, and kept in run.json.
        view: who looks on.
        label: the user's words for the run; the rig's title when empty.
        resume: folder of a run whose program died, to be gone on with.
        keyboard: where the operator's Enter comes from; standard input when None.
        announce: said to whoever looks on before the first scan.
        notes: the operator's, kept as events.
        labels: further keys of run.json: the unit, the values that were set.
        estimate: reckon while it runs; when None, where somebody looks on or the sequence needs it.

    Returns:
        How it ended; the folder is readable in every case.

    Raises:
        PortError: an instrument cannot be opened, or sends nothing that can be read.
        RecordError: the folder exists, or the run cannot be resumed.
    """
    view = view or NoView()
    if folder is not None and folder.exists():
        raise RecordError(folder, "", "exists already", "a run never writes over another")
    before = standing(resume, rig) if resume else None
    with ahead_of_others(), StopRequests() as stops:
        stations = open_stations(rig, clock)
        try:
            first = first_readings(rig, stations.values(), clock, stops)
            columns = power_columns(rig, first)
            switches = power_switches(rig, stations, clock, view, keyboard)
            start_with_power_off(switches)
            started = (
                go_on(rig, clock, before, columns)
                if before is not None
                else begin(
                    rig,
                    clock,
                    columns,
                    folder=folder,
                    budget=budget,
                    label=label,
                    labels=labels or {},
                )
            )
            if announce:
                view.say(announce)
            with started.writer:
                run = _HeatRun(
                    rig=rig,
                    clock=clock,
                    view=view,
                    stops=stops,
                    stations=stations,
                    board=Switchboard(switches, started.unknown, clock.lock_step),
                    started=started,
                    columns=columns,
                    guard=Guard(rig, further_along(rig, budget), heated_by(rig, budget)),
                )
                reckoning = make_estimator(rig, clock, budget, view, estimate)
                return run.go(reckoning, resumed=bool(before), notes=notes)
        finally:
            close_stations(stations.values())


class _HeatRun:
    """One run while it goes on."""

    def __init__(
        self,
        *,
        rig: Rig,
        clock: Clock,
        view: View,
        stops: StopRequests,
        stations: dict[str, InstrumentWorker],
        board: Switchboard,
        started: Started,
        columns: tuple[str, ...],
        guard: Guard,
    ) -> None:
        self.rig, self.clock, self.view, self.stops = rig, clock, view, stops
        self.stations, self.board, self.columns = stations, board, columns
        self.writer, self.sequence = started.writer, started.sequence
        self._windows = WindowRecord(rig, started.writer.folder)
        self.guard = guard
        self.origin_s = started.origin_s
        self.scans = 0
        self._power_told = board.power_on  # to the sequence
        self._phase: Phase | None = None
        self._last_s: float | None = None
        self._recent: deque[tuple[float, Scan]] = deque(maxlen=SLOPE_POINTS)
        self._shown = -math.inf
        self._time = Timekeeper(clock, rig.sequence.interval_s, patience_s(rig))
        self._estimator: Estimator

    def go(self, estimator: Estimator, resumed: bool, notes: tuple[str, ...] = ()) -> LogResult:
        """Run it to its end, whichever that is."""
        self._estimator = estimator
        failure: BaseException | None = None
        try:
            self._start_watchdogs()
            if resumed:
                self._resumed()
            for text in notes:
                self._note("operator", text=text)
            self._loop()
        except End as reached:
            end = reached
        except RecordError as error:
            end = End(EndReason.DISK, str(error))
            self.view.say(str(error), loud=True)
        except HeatrunError as error:
            end = End(EndReason.INSTRUMENT, str(error))
        except BaseException as error:
            end, failure = End(EndReason.ERROR, f"{type(error).__name__}: {error}"), error
        result = self._end(end)
        if failure is not None:
            raise failure
        return result

    def _loop(self) -> None:
        interval_s = self.rig.sequence.interval_s
        start_s = self.clock.now_s()
        tick = 0
        while True:
            self._wait_until(start_s + tick * interval_s)
            scan = self._scan()
            self._judge(scan)
            estimate = self._estimator.latest()
            self.sequence.observe(scan, estimate)
            if self.sequence.trip:
                raise End.tripped(self.sequence.trip)
            self._follow_sequence()
            self._show(scan)
            if self.sequence.finished:
                raise End(EndReason.FINISHED, self.sequence.why_heat_ended, 0)
            passed = math.floor((self.clock.now_s() - start_s) / interval_s + 1e-9)
            tick = max(tick + 1, passed + (0 if self.clock.lock_step else 1))

    def _wait_until(self, tick_s: float) -> None:
        while True:
            if self.stops.first:
                raise End(EndReason.OPERATOR, f"stopped by {self.stops.first}", 0)
            self._finish_turns()
            self._keep_watchdogs()
            self.writer.check_place()
            now_s = self.clock.now_s()
            if now_s >= tick_s:
                return
            self.clock.sleep_until_s(min(tick_s, now_s + SLICE_S))

    def _keep_watchdogs(self) -> None:
        watchdogs = self.board.watchdogs
        if watchdogs is None:
            return
        watchdogs.alive()
        for problem in watchdogs.take_deaths():
            self._note(EventName.WATCHDOG, problem=problem)
            self.view.say(f"the watchdog: {problem}", loud=True)

    def _scan(self) -> Scan:
        now_s = self.clock.now_s()
        t_s = round(now_s - self.origin_s, 4)
        notes, late = self._time.check(
            None if self._last_s is None else t_s - self._last_s, self.board.power_on
        )
        for note in notes:
            self._note(note.event, note.t_s, **note.details)
        if late:
            raise End.tripped(Trip("stall", late))
        readings = ask(self.stations.values(), self.clock, self.rig.sequence.interval_s)
        silent_s = {name: now_s - one.heard_s() for name, one in self.stations.items()}
        scan = make_scan(
            self.rig,
            t_s,
            readings,
            silent_s=silent_s,
            on=self.board.sources_on,
            columns=self.columns,
        )
        row = {f"{node}_degC": value for node, value in scan.temperature_degC.items()}
        self.writer.append_scan(t_s, {**row, **scan.columns})
        self._windows.keep(readings, self.origin_s)
        self.scans += 1
        self._last_s = t_s
        for station in self.stations.values():
            for note in station.take_notes():
                self._note(note.event, note.t_s, **note.details)
        self._estimator.add(scan)
        return scan

    def _judge(self, scan: Scan) -> None:
        trip = self.guard.check(scan, self.board.power_on, self.board.on)
        for node, why in self.guard.take_blind():
            self._note(EventName.BLIND, node=node, text=why)
            self.view.say(why, loud=True)
        if trip:
            raise End.tripped(trip)

    def _follow_sequence(self) -> None:
        wanted = self.sequence.wants
        if wanted - self.board.sources_on and (blind := self.guard.unguarded()):
            raise End.tripped(blind)
        self.board.follow(wanted)
        self._finish_turns()
        if self._phase != self.sequence.phase:
            self._phase = self.sequence.phase
            self._note(EventName.PHASE, phase=self._phase)

    def _finish_turns(self) -> None:
        """Take in the outcome of what was switched, as far as there is one."""
        for source, turn in self.board.finished():
            if turn.error is not None:
                raise End(EndReason.SWITCH, str(turn.error))
            assert turn.t_s is not None
            self._note(
                EventName.POWER_ON if turn.on else EventName.POWER_OFF, turn.t_s, **named(source)
            )
            power_on = self.board.power_on
            if self.board.is_settled and power_on is not self._power_told:
                self._power_told = power_on
                self.sequence.power_switched(power_on is True, turn.t_s - self.origin_s)

    def _end(self, end: End) -> LogResult:
        """Power off first; then say why, as far as the disk still takes it."""
        at_s = self.clock.now_s()
        problem = self._power_off()
        if not problem and (problem := self._still_given()):
            self._try_to_note(EventName.POWER_OFF_FAILED, problem=problem)
        for name in (one.name for one in self.rig.sources if not one.is_switched):
            self.view.say(f"'{name}' is never switched by the run: IT MAY STILL BE ON", loud=True)
        text, status = end.text, end.exit_status
        if problem:
            text = f"{text}; THE POWER IS NOT KNOWN TO BE OFF ({problem}): SWITCH IT OFF BY HAND"
            status = ENDED_BY_BENCH
            self.view.say(text, loud=True)
        with contextlib.suppress(RecordError):
            if end.trip is not None:
                trip = end.trip
                self._note(EventName.GUARD, at_s, rule=trip.rule, node=trip.node, text=trip.text)
            if end.reason == EndReason.OPERATOR:
                self._note(EventName.OPERATOR, at_s, text=end.text)
            self._note(
                EventName.STOP, reason=end.reason, text=text, exit_status=status, scans=self.scans
            )
        self._estimator.close()
        self._windows.close()
        with contextlib.suppress(RecordError):
            self.writer.close()
        close_stations(self.stations.values())  # the watchdog may need the port
        if self.board.watchdogs is not None:
            self.board.watchdogs.leave()
        return LogResult(
            self.writer.folder,
            end.reason,
            text,
            status,
            not problem,
            self.scans,
            self._last_s or 0.0,
        )

    def _power_off(self) -> str:
        """Switch all off, trying everything; what prevented that, empty if nothing."""
        asked_before = self.stops.count
        turns = self.board.all_off(lambda: self.stops.count > asked_before)
        for source, turn in turns.items():
            problem = {} if turn.error is None else {"problem": str(turn.error)}
            event = EventName.POWER_OFF_FAILED if problem else EventName.POWER_OFF
            self._try_to_note(event, turn.t_s, **{**named(source), **problem})
        return "; ".join(str(turn.error) for turn in turns.values() if turn.error is not None)

    def _still_given(self) -> str:
        return still_given(self.guard, self.rig, self.stations.values(), self.clock)

    def _try_to_note(self, event: str, at_s: float | None = None, **details: Any) -> None:
        with contextlib.suppress(RecordError):
            self._note(event, at_s, **details)

    def _start_watchdogs(self) -> None:
        if self.clock.lock_step:
            return  # virtual instruments of this very process: they die with it
        switching = {
            one.name: self.rig.switching(one) for one in self.rig.sources if one.is_switched
        }
        path, patience = self.writer.events_path, patience_s(self.rig)
        self.board.watch(Watchdogs(switching, path, self.origin_s, patience))

    def _resumed(self) -> None:
        gap_s = self.clock.now_s() - self.origin_s - max(self.writer.last_t_s, 0.0)
        self._note(EventName.GAP, gap_s=round(gap_s, 3), problem="the program died; resumed")

    def _note(self, event: str, at_s: float | None = None, **details: Any) -> None:
        """One event, with both clocks; also shown by the view."""
        at_s = self.clock.now_s() if at_s is None else at_s
        t_s = round(at_s - self.origin_s, 4)
        utc = self.clock.utc().isoformat(timespec="milliseconds")
        self.writer.append_event(t_s, event, **details, utc=utc.replace("+00:00", "Z"))
        self.view.say(describe(t_s, event, details))

    def _show(self, scan: Scan) -> None:
        if not self._recent or scan.t_s - self._recent[-1][0] >= SLOPE_EVERY_S:
            self._recent.append((scan.t_s, scan))
        now = time.monotonic()
        if isinstance(self.view, NoView) or now - self._shown < SHOW_EVERY_S:
            return
        self._shown = now
        slopes = {
            node: 60.0 * slope([(t, one.temperature_degC[node]) for t, one in self._recent])
            for node in scan.temperature_degC
        }
        self.view.show(
            Status(
                scan,
                self.sequence.phase,
                self.sequence.left_s(scan.t_s),
                self.board.power_on is True,
                slopes,
                self._estimator.latest(),
                self.scans,
            )
        )
