"""A virtual SCPI supply with an error queue, which really switches the prototype.

Headers and error numbers are those of SCPI-1999 (volume 2, Command reference, 21.8).
"""

from __future__ import annotations

import re
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from bench.virtual.instrument import Faults

NO_ERROR = '0,"No error"'
UNDEFINED_HEADER = '-113,"Undefined header"'
DATA_TYPE_ERROR = '-104,"Data type error"'
OUT_OF_RANGE = '-222,"Data out of range"'
QUEUE_OVERFLOW = '-350,"Queue overflow"'
QUEUE_LENGTH = 20
IDENTITY = "heatrun,virtual supply,1,0"


@dataclass
class Supply:
    """The supply itself: its settings, and the resistor it feeds."""

    load_ohm: float
    reads_A_times: float = 1.0  # a wrong shunt
    most_V: float = 30.0
    most_A: float = 3.0
    set_V: float = 0.0
    set_A: float = 0.1
    protect_V: float = 33.0
    protect_A: float = 3.3
    on: bool = False
    welded: bool = False  # its relay no longer opens, whatever it says
    switched: list[bool] = field(default_factory=list)  # history, for tests

    @property
    def volts(self) -> float:
        """At the terminals [V]: held at set_V, or lower where the current limit holds."""
        return min(self.set_V, self.set_A * self.load_ohm) if self.on or self.welded else 0.0

    @property
    def amperes(self) -> float:
        return self.volts / self.load_ohm

    @property
    def power_W(self) -> float:
        """What truly goes into the load [W]."""
        return self.volts * self.amperes


class ScpiSupply:
    """The SCPI side of a supply."""

    def __init__(
        self,
        supply: Supply,
        before_change: Callable[[], None] = lambda: None,
        noise: Callable[[], float] = lambda: 0.0,
    ) -> None:
        """
        Args:
            supply: what is set and measured.
            before_change: called before anything is set, so that the past is settled first.
            noise: relative deviation of a measured value, anew at each call [1].
        """
        self.supply = supply
        self.errors: deque[str] = deque()
        self._before_change = before_change
        self._noise = noise
        self._lock = threading.Lock()

    def unasked(self) -> str | None:
        return None

    def answer(self, line: str, faults: Faults) -> str | None:
        with self._lock:
            replies = [
                reply
                for part in line.split(";")
                if part.strip() and (reply := self._one(part.strip(), faults)) is not None
            ]
        return ";".join(replies) if replies else None

    def _one(self, message: str, faults: Faults) -> str | None:
        if faults.refuse is not None and message.upper().startswith(faults.refuse.upper()):
            self._fail(OUT_OF_RANGE)
            return None
        header, _, argument = message.lstrip(":").partition(" ")
        for pattern, query in _QUERIES:
            if pattern.fullmatch(header.upper()):
                return query(self)
        for pattern, command in _COMMANDS:
            if pattern.fullmatch(header.upper()):
                self._before_change()
                command(self, argument.strip())
                return None
        self._fail(UNDEFINED_HEADER)
        return None

    def _fail(self, error: str) -> None:
        if len(self.errors) >= QUEUE_LENGTH:
            self.errors[-1] = QUEUE_OVERFLOW
        else:
            self.errors.append(error)

    def _next_error(self) -> str:
        return self.errors.popleft() if self.errors else NO_ERROR

    def _measured(self, value: float) -> str:
        return f"{value * (1 + self._noise()):.5f}"

    def _set(self, name: str, argument: str, most: float) -> None:
        try:
            value = float(argument)
        except ValueError:
            self._fail(DATA_TYPE_ERROR)
            return
        if not 0 <= value <= most:
            self._fail(OUT_OF_RANGE)
        else:
            setattr(self.supply, name, value)

    def _output(self, argument: str) -> None:
        words = {"ON": True, "1": True, "OFF": False, "0": False}
        if argument.upper() not in words:
            self._fail(DATA_TYPE_ERROR)
            return
        self.supply.on = words[argument.upper()]
        self.supply.switched.append(self.supply.on)

    def _reset(self) -> None:
        self.supply.on = False
        self.supply.switched.append(False)
        self.supply.set_V, self.supply.set_A = 0.0, 0.1


_VOLT, _CURR = r"(?:SOUR(?:CE)?:)?VOLT(?:AGE)?", r"(?:SOUR(?:CE)?:)?CURR(?:ENT)?"
_LEVEL, _PROT = r"(?::LEV(?:EL)?)?", r":PROT(?:ECTION)?(?::LEV(?:EL)?)?"
_OUTPUT = r"OUTP(?:UT)?(?::STAT(?:E)?)?"
_MEAS = r"MEAS(?:URE)?(?::SCAL(?:AR)?)?:"

_QUERIES: list[tuple[re.Pattern[str], Callable[[ScpiSupply], str]]] = [
    (re.compile(pattern + r"\?"), query)
    for pattern, query in (
        (r"\*IDN", lambda s: IDENTITY),
        (r"\*OPC", lambda s: "1"),
        (r"SYST(?:EM)?:ERR(?:OR)?(?::NEXT)?", lambda s: s._next_error()),
        (_VOLT + _LEVEL, lambda s: f"{s.supply.set_V:.3f}"),
        (_CURR + _LEVEL, lambda s: f"{s.supply.set_A:.3f}"),
        (_VOLT + _PROT, lambda s: f"{s.supply.protect_V:.3f}"),
        (_CURR + _PROT, lambda s: f"{s.supply.protect_A:.3f}"),
        (_OUTPUT, lambda s: "1" if s.supply.on else "0"),
        (_MEAS + r"VOLT(?:AGE)?(?::DC)?", lambda s: s._measured(s.supply.volts)),
        (
            _MEAS + r"CURR(?:ENT)?(?::DC)?",
            lambda s: s._measured(s.supply.amperes * s.supply.reads_A_times),
        ),
    )
]
_COMMANDS: list[tuple[re.Pattern[str], Callable[[ScpiSupply, str], None]]] = [
    (re.compile(pattern), command)
    for pattern, command in (
        (r"\*RST", lambda s, _: s._reset()),
        (r"\*CLS", lambda s, _: s.errors.clear()),
        (_VOLT + _LEVEL, lambda s, a: s._set("set_V", a, min(s.supply.most_V, s.supply.protect_V))),
        (_CURR + _LEVEL, lambda s, a: s._set("set_A", a, min(s.supply.most_A, s.supply.protect_A))),
        (_VOLT + _PROT, lambda s, a: s._set("protect_V", a, s.supply.most_V * 1.1)),
        (_CURR + _PROT, lambda s, a: s._set("protect_A", a, s.supply.most_A * 1.1)),
        (_OUTPUT, lambda s, a: s._output(a)),
    )
]
