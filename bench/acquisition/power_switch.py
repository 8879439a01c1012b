"""Who switches the power: an instrument of the rig, or the operator who is asked to."""

from __future__ import annotations

import contextlib
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import IO, Protocol

from bench.acquisition.station import InstrumentWorker, SwitchRequest
from bench.clock import Clock
from fit.errors import BenchError, HeatrunError, InstrumentRefused

OFF_WITHIN_S = 6.0  # how long the end of a run goes on trying itself; the watchdog then goes on
OFF_AGAIN_S = 0.2  # a supply that is busy for a moment is asked again well within OFF_WITHIN_S
OFF_ONCE_MORE_S = 2.0
REFUSED_AT_MOST = 3
REMIND_S = 5.0  # an operator who walks to the switch is reminded
NOBODY = "standard input has ended"


class PowerSwitch(Protocol):
    """What the logger needs of whoever switches."""

    def turn(self, on: bool) -> SwitchRequest:
        """Have it switched; returns at once, the turn is done later."""
        ...

    def off_for_good(self, given_up: Callable[[], bool]) -> SwitchRequest:
        """Have it switched off, however often that takes; `given_up` may end the waiting."""
        ...

    def off_once_more(self) -> None:
        """It is off, and that was confirmed; say it again where that costs nothing."""
        ...


class InstrumentSwitch:
    """An instrument of the rig switches."""

    def __init__(self, station: InstrumentWorker) -> None:
        self._station = station

    def turn(self, on: bool) -> SwitchRequest:
        return self._station.turn(on)

    def off_for_good(self, given_up: Callable[[], bool]) -> SwitchRequest:
        """Try again until it is confirmed, or for OFF_WITHIN_S; no signal ends that."""
        deadline = time.monotonic() + OFF_WITHIN_S
        refused = 0
        problem: HeatrunError = BenchError(f"{self._station.name} does not answer")
        while True:
            turn = self._station.turn(False)
            if not turn.done.wait(max(0.1, deadline - time.monotonic())):
                turn.error = problem
            problem = turn.error or problem
            refused += isinstance(turn.error, InstrumentRefused)
            if turn.error is None or refused >= REFUSED_AT_MOST or time.monotonic() > deadline:
                return turn
            time.sleep(OFF_AGAIN_S)

    def off_once_more(self) -> None:
        self._station.turn(False).done.wait(OFF_ONCE_MORE_S)


class OperatorSwitch:
    """The operator is asked, and presses Enter when it is done; of several things one by one."""

    def __init__(
        self,
        clock: Clock,
        say: Callable[[str], None],
        keyboard: IO[str] | None = None,
    ) -> None:
        """
        Args:
            clock: stamps the moment of the Enter.
            say: shows a line that must be seen.
            keyboard: where the Enter comes from; standard input when None.
        """
        self._clock = clock
        self._say = say
        self._keyboard = keyboard or sys.stdin
        self._lock = threading.Lock()
        self._enters = 0  # pressed and not yet used
        self._ended = threading.Event()
        self._pending: deque[tuple[str, SwitchRequest]] = deque()  # asked for is the first
        self._asked_s = 0.0
        threading.Thread(target=self._listen, daemon=True, name="keyboard").start()

    def turn(self, on: bool, source: str = "") -> SwitchRequest:
        """Ask for a source, "" where there is one without a name, once no other is asked for."""
        turn = SwitchRequest(on)
        with self._lock:
            if self._keyboard.isatty():
                self._enters = 0  # an Enter from before the question is no answer to it
            self._drop(source)
            self._pending.append((source, turn))
            first = len(self._pending) == 1
        if first:
            self._ask()
        self._match()
        return turn

    def nobody_there(self, within_s: float) -> bool:
        """Standard input ends within so long [s], and no Enter stands in it."""
        return self._ended.wait(within_s) and not self._enters

    def off_for_good(self, given_up: Callable[[], bool], source: str = "") -> SwitchRequest:
        """Ask, and remind every few seconds, until Enter comes or the waiting is given up."""
        turn = self.turn(False, source)
        while not turn.done.wait(0.05):
            if given_up():
                turn.error = BenchError("nobody has said that the power is off")
                with self._lock:
                    self._drop(source)
                break
            if time.monotonic() - self._asked_s > REMIND_S:
                self._ask()
        return turn

    def off_once_more(self) -> None:
        pass

    def _drop(self, source: str) -> None:
        """What was asked for a source is asked no longer."""
        self._pending = deque(one for one in self._pending if one[0] != source)

    def _ask(self) -> None:
        self._asked_s = time.monotonic()
        with self._lock:
            if not self._pending:
                return
            source, turn = self._pending[0]
        what = f"'{source}'" if source else "the power"
        self._say(f"Switch {what} {'ON' if turn.on else 'OFF'} now, then press Enter.")

    def _listen(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            while self._keyboard.readline():
                with self._lock:
                    self._enters += 1
                self._match()
        self._ended.set()
        self._match()

    def _match(self) -> None:
        while self._answered():
            self._ask()

    def _answered(self) -> bool:
        """Whether the first question has just been answered, or never will be."""
        with self._lock:
            if not self._pending:
                return False
            turn = self._pending[0][1]
            if self._enters:
                self._enters -= 1
                turn.t_s = self._clock.now_s()
            elif self._ended.is_set():
                turn.error = BenchError(f"{NOBODY}: nobody can say that it is done")
            else:
                return False
            self._pending.popleft()
            turn.done.set()
            return True


@dataclass(frozen=True)
class OperatorOf:
    """The operator as the switch of one source."""

    operator: OperatorSwitch
    source: str = ""

    def turn(self, on: bool) -> SwitchRequest:
        return self.operator.turn(on, self.source)

    def off_for_good(self, given_up: Callable[[], bool]) -> SwitchRequest:
        return self.operator.off_for_good(given_up, self.source)

    def off_once_more(self) -> None:
        self.operator.off_once_more()
