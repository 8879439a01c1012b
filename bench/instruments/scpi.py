"""Instruments that speak IEEE 488.2 and SCPI: queries, an error queue, switching read back."""

from __future__ import annotations

import math
import re
import time

from pydantic import Field

from bench.clock import Clock
from bench.instruments.base import BadLines, Reading
from bench.instruments.emergency_off import REST_S, OffStep, text_off_steps
from bench.instruments.line import is_on
from bench.instruments.settings import (
    Command,
    CommandOrEmpty,
    InstrumentSettings,
    Name,
    Rest,
    Text,
)
from bench.instruments.transport import Transport
from fit.errors import InstrumentLost, InstrumentRefused, PortError

MOST_ERRORS = 20  # an error queue that never runs dry is not one
ERRORS_TOLD = 3
NO_ANSWERS_TO_LOST = 5  # readings in a row without an answer, before the port is opened anew
OVERLOAD = 9.9e37
LIMIT_TOLERANCE = 0.01  # relative; supplies round what they are set to


class Settings(InstrumentSettings):
    """[[instrument]] with driver = "scpi"."""

    queries: dict[Name, Command] = Field(default_factory=dict)  # field = query
    identity: Text | None = None  # what the answer to *IDN? must contain
    errors: CommandOrEmpty = "SYST:ERR?"  # empty for an instrument without an error queue
    settle_s: Rest = 0.0  # rest after each command [s]
    terminator: Text = "\n"

    def field_names(self) -> frozenset[str] | None:
        return frozenset(self.queries)

    def problem(self) -> str | None:
        for name, query in self.queries.items():
            if "?" not in query:
                return f"queries.{name}: '{query}' asks nothing; a query has a question mark"
        if not self.queries and self.switch is None:
            return 'has nothing to do; give it [instrument.queries] such as supply_V = "MEAS:VOLT?"'
        return None

    @property
    def state_query(self) -> str | None:
        """What reads the switch back, if anything does."""
        if self.switch is None:
            return None
        if self.switch.state is not None:
            return self.switch.state or None
        output = re.match(r"\s*(:?OUTP(?:UT)?(?::STATE?)?)\s", self.switch.off[-1] + " ", re.I)
        return f"{output[1]}?" if output else None


def number(answer: str) -> float:
    """A measured value: NaN where the instrument has none. Raises ValueError for other text.

    SCPI-1999 (volume 1, 7.2.1) stands 9.91E37 for not-a-number and 9.9E37 for an overload. A unit
    after the number, which some instruments add, is passed over.

    >>> number("+1.200E+01"), number("0.35 A"), number("9.91E37")
    (12.0, 0.35, nan)
    """
    match = re.fullmatch(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*[A-Za-z]*\s*", answer)
    if match is None:
        raise ValueError(answer)
    value = float(match[1])
    return value if abs(value) < OVERLOAD else math.nan


class Instrument:
    """Driver for a SCPI instrument."""

    def __init__(self, settings: Settings, clock: Clock) -> None:
        self.settings = settings
        self._clock = clock
        self._port = Transport(settings, settings.terminator)
        self._bad_lines = BadLines()
        self._identity: str | None = None
        self._out_of_step = False
        self._silent = 0

    @staticmethod
    def off_steps(settings: Settings) -> tuple[OffStep, ...]:
        """The off commands as lines, then what reads the switch back."""
        assert settings.switch is not None
        return text_off_steps(
            settings.switch.off,
            settings.state_query,
            terminator=settings.terminator,
            reply_s=settings.reply_s,
            rest_s=max(REST_S, settings.settle_s),
        )

    def open(self) -> None:
        """Open the port and ask who is there.

        Raises:
            PortError: no such port, or another instrument answers.
            InstrumentLost: nobody answers.
        """
        self._port.open()
        self._out_of_step = False
        self._silent = 0
        identity = self._identify()
        expected = self.settings.identity or self._identity
        if expected is not None and expected not in identity:
            self._port.close()
            raise PortError(
                f"{self.settings.name}: '{identity}' answers on port {self.settings.port}; "
                f"expected '{expected}'"
            )
        self._identity = identity
        self._take_errors()

    @property
    def identity(self) -> str | None:
        """The answer to *IDN?, once opened."""
        return self._identity

    def read(self) -> Reading | None:
        """Ask every query in turn; None when one of them was not answered with a number.

        Raises:
            InstrumentLost: the port is gone, or several readings in a row were not answered.
        """
        if not self._in_step():
            self._no_answer()
            return None
        values: dict[str, float] = {}
        for name, query in self.settings.queries.items():
            answer = self._port.ask(query, self.settings.reply_s)
            if answer is None:
                self._out_of_step = True
                self._no_answer()
                return None
            try:
                values[name] = number(answer)
            except ValueError:
                self._bad_lines.add(f"{query} {answer}")
                self._bad_lines.add(*self._take_errors())
                self._out_of_step = True  # it may be the answer to another question
                return None
        self._silent = 0
        return Reading(self._clock.now_s(), values)

    def switch(self, on: bool) -> None:
        """Set the own limits (before switching on), send the commands, read back.

        Switching off opens the port if need be, without asking who is there, and sends every
        command before anything is complained of.

        Raises:
            InstrumentLost: the port is gone, or a question was not answered.
            InstrumentRefused: an error in its queue, or what is read back is not what was set.
        """
        switch = self.settings.switch
        if switch is None:
            raise InstrumentRefused(f"{self.settings.name}: has no [instrument.switch]")
        if not on:
            if not self._port.is_open:
                self._port.open()
            for command in switch.off:
                self._send(command)
            self._in_step()
            self._complain(" ".join(switch.off), self._take_errors())
        else:
            self._in_step()
            self._set_limits()
            for command in switch.on:
                self._send(command)
                self._complain(command, self._take_errors())
        self._verify(on)

    def take_bad_lines(self) -> list[str]:
        return self._bad_lines.take()

    def close(self) -> None:
        self._port.close()

    def _no_answer(self) -> None:
        self._silent += 1
        if self._silent >= NO_ANSWERS_TO_LOST:
            self._port.close()
            raise InstrumentLost(
                f"{self.settings.name}: {self._silent} readings in a row not answered"
            )

    def _identify(self) -> str:
        # Twice: the first question may end a line that was left half sent before.
        for _ in range(2):
            if answer := self._port.ask("*IDN?", self.settings.reply_s):
                return answer.strip()
        self._port.close()
        raise InstrumentLost(
            f"{self.settings.name}: no answer to *IDN? on port {self.settings.port} "
            f"within {self.settings.reply_s:g} s; check the cable and baud = {self.settings.baud}"
        )

    def _in_step(self) -> bool:
        """After a missing answer: wait until questions and answers pair up again.

        A late answer would otherwise be taken for the answer to the next question.
        """
        if not self._out_of_step:
            return True
        self._port.discard()
        self._port.write_line("*IDN?")
        deadline = time.monotonic() + self.settings.reply_s
        while (left := deadline - time.monotonic()) > 0:
            answer = self._port.read_line(left)
            if answer is not None and answer.strip() == self._identity:
                self._out_of_step = False
                self._bad_lines.add(*self._take_errors())
                return True
        return False

    def _send(self, command: str) -> None:
        self._port.write_line(command)
        if self.settings.settle_s:
            time.sleep(self.settings.settle_s)

    def _ask(self, query: str) -> str:
        answer = self._port.ask(query, self.settings.reply_s)
        if answer is None:
            self._out_of_step = True
            raise InstrumentLost(
                f"{self.settings.name}: no answer to {query} within {self.settings.reply_s:g} s"
            )
        return answer.strip()

    def _take_errors(self) -> list[str]:
        """Empty the error queue; what was in it."""
        found: list[str] = []
        while self.settings.errors and len(found) < MOST_ERRORS:
            answer = self._ask(self.settings.errors)
            if re.match(r"[+-]?0+\b", answer) or not re.match(r"[+-]?\d", answer):
                break
            found.append(answer)
        return found

    def _complain(self, command: str, errors: list[str]) -> None:
        if errors:
            told = "; ".join(errors[:ERRORS_TOLD])
            raise InstrumentRefused(f"{self.settings.name}: {command}: {told}")

    def _set_limits(self) -> None:
        for header, value in self.settings.limits.items():
            command = f"{header} {value:g}"
            self._send(command)
            self._complain(command, self._take_errors())
            answer = self._ask(f"{header}?")
            try:
                kept = abs(float(answer) - value) <= LIMIT_TOLERANCE * abs(value)
            except ValueError:
                kept = False
            if not kept:
                raise InstrumentRefused(f"{self.settings.name}: {command}: reads back {answer}")

    def _verify(self, on: bool) -> None:
        if self.settings.state_query is None:
            return
        answer = self._ask(self.settings.state_query)
        if is_on(answer) is not on:
            raise InstrumentRefused(
                f"{self.settings.name}: told to switch {'on' if on else 'off'}, "
                f"but {self.settings.state_query} answers '{answer}'"
            )
