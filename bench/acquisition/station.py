"""One thread per instrument, which alone uses its port: a slow instrument delays no other.

A polled instrument is asked once a scan; a stream is read as it comes. What is lost is opened
again with back-off, for as long as it takes: when to give up is for the guard to say.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field

from bench.clock import Clock
from bench.control.guard import patience_s
from bench.instruments import open_driver
from bench.instruments.base import Driver, Reading
from bench.instruments.settings import InstrumentSettings
from bench.rig.schema import Rig
from bench.status import Note
from fit.errors import BenchError, HeatrunError, PortError
from fit.records.events import EventName

WINDOW = 0.5  # share of a scan's interval within which answers are waited for
STREAM_PERIODS = 1.5  # a stream no slower than this many intervals is waited for
BACK_OFF_S = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0)
LINES_KEPT = 20  # of the bad lines in one event
LINE_LENGTH = 200
BAD_LINES_EVERY_S = 1.0  # a stream of garbage makes one event a second, not thousands


@dataclass
class SwitchRequest:
    """One request to switch the power, and what came of it."""

    on: bool
    t_s: float | None = None  # bench clock at which it was confirmed [s]
    error: HeatrunError | None = None
    done: threading.Event = field(default_factory=threading.Event)


class InstrumentWorker:
    """One instrument of the rig, kept open and read by its own thread."""

    def __init__(
        self,
        settings: InstrumentSettings,
        clock: Clock,
        silent_after_s: float = 3.0,
        driver: Driver | None = None,
    ) -> None:
        """
        Args:
            settings: the instrument's block of the rig.
            clock: stamps what happens.
            silent_after_s: without a reading for so long, the port is opened anew [s].
            driver: what speaks to it; the one of the settings when None.
        """
        self.name = settings.name
        self.last_reading_s: float | None = None
        self.answer_s = 0.0  # how long the last exchange took, of the computer's clock [s]
        self._clock = clock
        self._silent_after_s = silent_after_s
        self._streams = settings.streams
        self._driver = driver or open_driver(settings, clock)
        self._newest: Reading | None = None
        self._state = threading.Condition()
        self._asked = self._answered = 0
        self._turns: deque[SwitchRequest] = deque()
        self._notes: list[Note] = []
        self._bad_count = 0
        self._bad_lines: list[str] = []
        self._bad_noted_s = -BAD_LINES_EVERY_S
        self._gap_since_s: float | None = None
        self._lost = False
        self._attempts = 0
        self._opened_s = self._opened_first_s = 0.0
        self._period_s = 0.0
        self._opened = threading.Event()
        self._opening_error: HeatrunError | None = None
        self._closing = False
        self._thread = threading.Thread(target=self._work, daemon=True, name=self.name)

    def start(self) -> None:
        """Open the port, in the background."""
        self._thread.start()

    def wait_open(self) -> None:
        """Return when the port is open. Raises what opening raised."""
        self._opened.wait()
        if self._opening_error is not None:
            raise self._opening_error

    def ask(self) -> None:
        """Have a polled instrument asked, unless it still owes an answer; a stream just comes."""
        with self._state:
            # A reading not yet taken would be dropped for the next one.
            if self._streams or (self._answered == self._asked and self._newest is None):
                self._asked += 1
            self._state.notify_all()

    def wait(self, deadline_s: float | None) -> None:
        """Return when there is an answer to `ask`, or when none is to be expected in time.

        Args:
            deadline_s: of `time.monotonic()` [s]; None waits for the driver's own deadline.
        """
        with self._state:
            while not self._closing and not self._lost and self._waiting():
                left = None if deadline_s is None else deadline_s - time.monotonic()
                if left is not None and left <= 0:
                    return
                self._state.wait(left)

    @property
    def streams(self) -> bool:
        return self._streams

    def is_prompt(self, interval_s: float) -> bool:
        """Whether its next reading can be waited for within a scan."""
        if self._streams:
            return self._period_s <= STREAM_PERIODS * interval_s
        return self.answer_s <= WINDOW * interval_s

    def heard_s(self) -> float:
        """Bench clock of the last reading, or of the opening when there was none [s]."""
        return self._opened_first_s if self.last_reading_s is None else self.last_reading_s

    def take(self) -> Reading | None:
        """The newest reading, once: a reading never stands in two scans."""
        reading, self._newest = self._newest, None
        return reading

    def turn(self, on: bool) -> SwitchRequest:
        """Have the power switched by the thread that owns the port; the answer comes later."""
        turn = SwitchRequest(on)
        with self._state:
            self._turns.append(turn)
            self._state.notify_all()
        return turn

    def take_notes(self) -> list[Note]:
        """What happened since the last call."""
        with self._state:
            notes, self._notes = self._notes, []
            now = time.monotonic()
            if self._bad_count and now - self._bad_noted_s >= BAD_LINES_EVERY_S:
                self._bad_noted_s = now
                details = {
                    "instrument": self.name,
                    "count": self._bad_count,
                    "lines": self._bad_lines,
                }
                notes.append(Note(self._clock.now_s(), EventName.BAD_LINE, details))
                self._bad_count, self._bad_lines = 0, []
        return notes

    def describe_silence(self) -> str:
        """What came instead of readings, for a message."""
        if not self._bad_count:
            return "nothing came"
        lines = "1 line" if self._bad_count == 1 else f"{self._bad_count} lines"
        return f"{lines} did not match, such as {self._bad_lines[0]!r}"

    def close(self, within_s: float = 5.0) -> None:
        """Close the port, never raises."""
        with self._state:
            self._closing = True
            self._state.notify_all()
        if self._thread.ident is not None:
            self._thread.join(within_s)

    def _waiting(self) -> bool:
        return self._newest is None if self._streams else self._answered < self._asked

    def _work(self) -> None:
        try:
            self._driver.open()
            self._opened_s = self._opened_first_s = self._clock.now_s()
        except HeatrunError as error:
            self._opening_error = error
        except Exception as error:  # the waiting thread must be told
            self._opening_error = BenchError(f"{self.name}: {type(error).__name__}: {error}")
        self._opened.set()
        try:
            while self._opening_error is None and not self._closing:
                self._next()
        finally:
            self._driver.close()

    def _next(self) -> None:
        """One thing at a time: a switch first, then a reading or another attempt to open."""
        if self._lost or not self._streams:
            with self._state:
                if self._lost:
                    back_off_s = BACK_OFF_S[min(self._attempts, len(BACK_OFF_S) - 1)]
                    self._state.wait_for(lambda: self._turns or self._closing, back_off_s)
                else:
                    self._state.wait_for(lambda: self._turns or self._closing or self._waiting())
        if self._closing:
            return
        if self._turns:
            self._switch(self._turns.popleft())
        elif self._lost:
            self._reopen()
        else:
            self._read()

    def _read(self) -> None:
        asked, started = self._asked, time.monotonic()
        try:
            reading = self._driver.read()
        except Exception as error:  # whatever a driver lets out, the port is lost
            self._lose(str(error) or type(error).__name__)
            reading = None
        if reading is not None:
            self._newest = reading
            self._period_s = reading.t_s - (self.last_reading_s or 0.0)
            self.last_reading_s = reading.t_s
            if self._gap_since_s is not None:
                self._mend(reading.t_s)
            if self._streams and asked == self._answered:
                return  # nothing waits for it: a fast stream costs no more than this
        self._keep_bad_lines()
        self.answer_s = time.monotonic() - started
        with self._state:
            self._answered = asked
            self._state.notify_all()
        if reading is None and not self._lost:
            self._check_silence()

    def _check_silence(self) -> None:
        heard_s = max(self._opened_s, self.last_reading_s or 0.0)
        if self._clock.now_s() - heard_s > self._silent_after_s:
            self._lose(f"{self.name}: no reading for {self._silent_after_s:g} s")

    def _lose(self, problem: str) -> None:
        self._driver.close()
        with self._state:
            self._lost, self._attempts = True, 0
            if self._gap_since_s is None:
                now = self._clock.now_s()
                self._gap_since_s = now if self.last_reading_s is None else self.last_reading_s
                self._notes.append(
                    Note(now, EventName.GAP, {"instrument": self.name, "problem": problem})
                )
            self._state.notify_all()

    def _reopen(self) -> None:
        try:
            self._driver.open()
        except Exception:  # tried again until the guard gives up
            self._attempts += 1
            self._driver.close()
            return
        self._opened_s = self._clock.now_s()
        self._lost = False

    def _mend(self, t_s: float) -> None:
        gap_s = t_s - (self._gap_since_s or t_s)
        details = {"instrument": self.name, "gap_s": round(gap_s, 3)}
        with self._state:
            self._gap_since_s = None
            self._notes.append(Note(t_s, EventName.RECONNECT, details))

    def _keep_bad_lines(self) -> None:
        lines = self._driver.take_bad_lines()
        if lines:
            with self._state:
                self._bad_count += len(lines)
                room = LINES_KEPT - len(self._bad_lines)
                self._bad_lines.extend(line[:LINE_LENGTH] for line in lines[:room])

    def _switch(self, turn: SwitchRequest) -> None:
        try:
            self._driver.switch(turn.on)
            turn.t_s = self._clock.now_s()
        except HeatrunError as error:
            turn.error = error
        except Exception as error:  # the thread that waits for the turn must be told
            turn.error = BenchError(f"{self.name}: {type(error).__name__}: {error}")
        turn.done.set()


def open_stations(rig: Rig, clock: Clock) -> dict[str, InstrumentWorker]:
    """Every instrument of the rig, open.

    Raises:
        PortError: one cannot be opened; then none is left open.
    """
    silence_s, interval_s = patience_s(rig), rig.sequence.interval_s
    stations = {}
    for one in rig.instrument:
        silent_after_s = min(max(3 * interval_s, 3 * one.reply_s), silence_s / 2)
        stations[one.name] = InstrumentWorker(one, clock, silent_after_s)
    for station in stations.values():
        station.start()
    try:
        for station in stations.values():
            station.wait_open()
    except BaseException as error:
        close_stations(stations.values())
        if isinstance(error, HeatrunError):
            raise PortError(str(error)) from None
        raise
    return stations


def close_stations(stations: Iterable[InstrumentWorker]) -> None:
    """Close every port, never raises."""
    for station in stations:
        station.close()
