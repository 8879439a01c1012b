"""A sense source that reads a junction's forward voltage in windows (JESD51-1, dynamic).

It keeps a small constant current through the junction, interrupts the heating for some
milliseconds, and sends what it read as one line, asked or by itself:

    VF 100:0.601130 150:0.601562 ... 5000:0.622418

A word, then pairs: microseconds since the heating was interrupted, and volts.
"""

from __future__ import annotations

import math
from itertools import pairwise

from bench.clock import Clock
from bench.instruments.base import BadLines, Window
from bench.instruments.settings import Command, InstrumentSettings, Text
from bench.instruments.transport import Transport
from fit.errors import InstrumentRefused

FIELD = "window"
LONGEST_US = 60e6  # a junction has settled long before a minute is over


class Settings(InstrumentSettings):
    """[[instrument]] with driver = "window"."""

    word: Text = "VF"
    query: Command | None = None
    terminator: Text = "\n"

    @property
    def streams(self) -> bool:
        return self.query is None

    def field_names(self) -> frozenset[str] | None:
        return frozenset({FIELD})

    def problem(self) -> str | None:
        if self.limits:
            return "limits are for scpi instruments; the sense current is the instrument's own"
        return None


def parsed(line: str, word: str = "VF") -> tuple[tuple[float, ...], tuple[float, ...]] | None:
    """A window from its line.

    Args:
        line: as sent.
        word: that it begins with.

    Returns:
        Times since the interruption [s] and voltages [V]; None where the line is no window.

    >>> parsed("VF 100:0.6011 250:0.6020")
    ((0.0001, 0.00025), (0.6011, 0.602))
    >>> parsed("VF 250:0.6020 100:0.6011") is None
    True
    """
    head, *pairs = line.split() or [""]
    if head != word or not pairs:
        return None
    try:
        cells = [pair.split(":") for pair in pairs]
        numbers = [(float(age), float(volts)) for age, volts in cells]
    except ValueError:
        return None
    ages = [age for age, _ in numbers]
    rising = all(before < after for before, after in pairwise(ages))
    sound = all(math.isfinite(volts) for _, volts in numbers)
    if not (rising and sound and ages[0] >= 0 and ages[-1] <= LONGEST_US):
        return None
    return tuple(round(1e-6 * age, 9) for age in ages), tuple(volts for _, volts in numbers)


class Instrument:
    """Driver for a sense source. It switches nothing that a run would have to switch off."""

    def __init__(self, settings: Settings, clock: Clock) -> None:
        self.settings = settings
        self._clock = clock
        self._port = Transport(settings, settings.terminator, streaming=settings.streams)
        self._bad_lines = BadLines()

    def open(self) -> None:
        """Open the port. Raises PortError."""
        self._port.open()

    def read(self) -> Window | None:
        """The answer to `query`, or the stream's next line. Raises InstrumentLost."""
        line = self._port.next_line(self.settings.query, self.settings.reply_s)
        if line is None:
            return None
        t_s = self._clock.now_s()
        found = parsed(line, self.settings.word)
        if found is None:
            if line.strip():
                self._bad_lines.add(line)
            return None
        return Window(t_s, {}, *found)

    def switch(self, on: bool) -> None:
        """Raises InstrumentRefused: it does not switch the power of a run."""
        raise InstrumentRefused(f"{self.settings.name}: does not switch the power")

    def take_bad_lines(self) -> list[str]:
        return self._bad_lines.take()

    def close(self) -> None:
        self._port.close()
