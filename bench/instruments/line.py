"""Instruments that send lines of text: separated fields, a pattern, JSON, or key=value.

Polled when the rig gives a `query`, else taken as a stream.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping
from typing import Annotated, Any, Literal

from pydantic import AfterValidator

from bench.clock import Clock
from bench.instruments.base import BadLines, Reading
from bench.instruments.emergency_off import OffStep, text_off_steps
from bench.instruments.settings import Command, InstrumentSettings, Text
from bench.instruments.transport import Transport
from fit.errors import InstrumentRefused

IGNORED = "_"
OPEN = ("nan", "open", "ol", "---")
WORD = r"[A-Za-z*#?/_+-]{1,12}+"  # never given back in parts: a long line costs no more
Values = dict[str, float]


def _pattern(text: str) -> str:
    try:
        pattern = re.compile(text)
    except re.error as error:
        raise ValueError(f"not a regular expression: {error}") from None
    if not pattern.groupindex:
        raise ValueError(r"a pattern needs named groups, such as (?P<tab>[-\d.]+)")
    return text


def _each_once(fields: tuple[str, ...]) -> tuple[str, ...]:
    wanted = [name for name in fields if name != IGNORED]
    for name in wanted:
        if wanted.count(name) > 1:
            raise ValueError(f"'{name}' is there twice; \"_\" stands for one not wanted")
    return fields


class Settings(InstrumentSettings):
    """[[instrument]] with driver = "line"."""

    format: Literal["separated", "pattern", "json", "key=value"] | None = None
    fields: Annotated[tuple[Text, ...], AfterValidator(_each_once)] | None = (
        None  # "_" for one that is not wanted
    )
    separator: Text = ","
    pattern: Annotated[str, AfterValidator(_pattern)] | None = None
    missing: tuple[Text, ...] = OPEN  # words for a sensor without a reading, any case
    query: Command | None = None
    terminator: Text = "\n"

    @property
    def form(self) -> str:
        """The format, also where it follows from the other keys."""
        return self.format or ("pattern" if self.pattern else "separated")

    @property
    def streams(self) -> bool:
        return self.query is None

    def field_names(self) -> frozenset[str] | None:
        if self.form == "pattern" and self.pattern:
            return frozenset(re.compile(self.pattern).groupindex)
        return frozenset(self.fields) - {IGNORED} if self.fields else None

    def problem(self) -> str | None:
        if self.form == "separated" and not self.fields:
            return 'separated lines need fields; fields = ["tab", "case"] in the order they come'
        if self.form == "pattern" and not self.pattern:
            return r"format = \"pattern\" needs a pattern; pattern = 'T1=(?P<tab>[-\d.]+)'"
        if self.pattern and self.form != "pattern":
            return f'pattern means nothing with format = "{self.format}"; leave one of them out'
        if self.fields and self.form == "pattern":
            return "fields means nothing beside a pattern; its named groups are the fields"
        if self.limits:
            return "limits are for scpi instruments; put the commands first in switch.on"
        return None


def parser(settings: Settings) -> Callable[[str], Values | None]:
    """What turns one line into its fields, or into None when the line does not match.

    >>> parse = parser(Settings(name="a", driver="line", port="x", fields=("tab", "case")))
    >>> parse("21.5, 20.9"), parse("21.5"), parse("hello, 3")
    ({'tab': 21.5, 'case': 20.9}, None, {'tab': nan, 'case': 3.0})
    """
    make = {"separated": _separated, "pattern": _matching, "json": _json, "key=value": _key_value}
    return make[settings.form](settings)


class _Empty:
    """Which fields hold no number: said when one begins to, not at every line."""

    def __init__(self) -> None:
        self._fields: frozenset[str] = frozenset()

    def new(self, line: str, values: Values) -> list[str]:
        """One sentence for each field that held a number in the line before."""
        now = frozenset(name for name, value in values.items() if math.isnan(value))
        fresh, self._fields = now - self._fields, now
        return [f"{name}: no number in {line.strip()!r}" for name in sorted(fresh)]


class Instrument:
    """Driver for an instrument that sends lines."""

    def __init__(self, settings: Settings, clock: Clock) -> None:
        self.settings = settings
        self._clock = clock
        self._parse = parser(settings)
        self._port = Transport(settings, settings.terminator, streaming=settings.streams)
        self._bad_lines = BadLines()
        self._empty = _Empty()

    @staticmethod
    def off_steps(settings: Settings) -> tuple[OffStep, ...]:
        """The off commands as lines, then `state`."""
        assert settings.switch is not None
        return text_off_steps(
            settings.switch.off,
            settings.switch.state,
            terminator=settings.terminator,
            reply_s=settings.reply_s,
        )

    def open(self) -> None:
        """Open the port. Raises PortError."""
        self._port.open()

    def read(self) -> Reading | None:
        """The answer to `query`, or the stream's next line. Raises InstrumentLost."""
        line = self._port.next_line(self.settings.query, self.settings.reply_s)
        if line is None:
            return None
        t_s = self._clock.now_s()
        values = self._parse(line)
        if values is None:
            if line.strip():
                self._bad_lines.add(line)
            return None
        self._bad_lines.add(*self._empty.new(line, values))
        return Reading(t_s, values)

    def switch(self, on: bool) -> None:
        """Send the switch's commands; opens the port if need be.

        A `state` query is answered with 1 or ON, 0 or OFF.

        Raises:
            InstrumentLost: the port is gone.
            InstrumentRefused: the state read back is the other one.
        """
        switch = self.settings.switch
        if switch is None:
            raise InstrumentRefused(f"{self.settings.name}: has no [instrument.switch]")
        if not self._port.is_open:
            self._port.open()
        for command in switch.on if on else switch.off:
            self._port.write_line(command)
        if switch.state:
            answer = self._port.ask(switch.state, self.settings.reply_s)
            if is_on(answer) is not on:
                raise InstrumentRefused(
                    f"{self.settings.name}: told to switch {'on' if on else 'off'}, "
                    f"but {switch.state} answers {answer!r}"
                )

    def take_bad_lines(self) -> list[str]:
        return self._bad_lines.take()

    def close(self) -> None:
        self._port.close()


def is_on(answer: str | None) -> bool | None:
    """What a switch's answer means; None when it means nothing."""
    word = (answer or "").strip().upper()
    if word in ("1", "ON", "+1", "TRUE"):
        return True
    return False if word in ("0", "OFF", "+0", "FALSE") else None


def _separated(settings: Settings) -> Callable[[str], Values | None]:
    fields, separator, number = settings.fields or (), settings.separator, _number(settings)
    spaces = separator.isspace()

    def parse(line: str) -> Values | None:
        cells = line.split() if spaces else line.split(separator)
        if len(cells) != len(fields):
            return None
        return _numbers(
            ((n, c) for n, c in zip(fields, cells, strict=True) if n != IGNORED), number
        )

    return parse


def _matching(settings: Settings) -> Callable[[str], Values | None]:
    pattern, number = re.compile(settings.pattern or ""), _number(settings)
    with_words = _with_words(settings.pattern or "")

    def parse(line: str) -> Values | None:
        match = pattern.search(line) or (with_words and with_words.search(line))
        return _numbers(match.groupdict().items(), number) if match else None

    return parse


def _with_words(pattern: str) -> re.Pattern[str] | None:
    r"""The pattern whose groups also take a word in place of a number; None where that is none.

    >>> _with_words(r"T1=(?P<tab>[-\d.]+) C").search("T1=OPEN C")["tab"]
    'OPEN'
    """
    text, depths, depth, at, in_class = "", [], 0, 0, False
    while at < len(pattern):
        sign = pattern[at]
        if sign == "\\":
            text, at = text + pattern[at : at + 2], at + 2
            continue
        if in_class:
            in_class = sign != "]" or pattern[at - 1] in "[^"
        elif sign == "[":
            in_class = True
        elif sign == "(":
            depth += 1
            if pattern.startswith("(?P<", at):
                depths.append(depth)
        elif sign == ")":
            if depths and depths[-1] == depth:
                depths.pop()
                text += "|" + WORD
            depth -= 1
        text, at = text + sign, at + 1
    try:
        return re.compile(text)
    except re.error:
        return None


def _json(settings: Settings) -> Callable[[str], Values | None]:
    number = _number(settings)

    def parse(line: str) -> Values | None:
        try:
            document = json.loads(line)
        except (ValueError, RecursionError):
            return None
        return _wanted(dict(_flat(document)), settings.fields, number)

    return parse


def _key_value(settings: Settings) -> Callable[[str], Values | None]:
    number = _number(settings)
    pair = re.compile(r"([A-Za-z_][\w.]*)\s*[=:]\s*([^\s,;=]*)")

    def parse(line: str) -> Values | None:
        return _wanted(dict(pair.findall(line)), settings.fields, number)

    return parse


def _flat(document: Any, prefix: str = "") -> list[tuple[str, Any]]:
    """Leaves of a JSON object, nested names joined by dots."""
    if not isinstance(document, dict):
        return []
    leaves: list[tuple[str, Any]] = []
    for name, value in document.items():
        nested = _flat(value, f"{prefix}{name}.") if isinstance(value, dict) else None
        leaves.extend([(prefix + name, value)] if nested is None else nested)
    return leaves


def _wanted(
    found: Mapping[str, Any], fields: tuple[str, ...] | None, number: Callable[[Any], float]
) -> Values | None:
    """The fields asked for, all of them; or, where none are named, whatever is a number."""
    if fields is not None:
        missing = any(name not in found for name in fields if name != IGNORED)
        return (
            None if missing else _numbers(((n, found[n]) for n in fields if n != IGNORED), number)
        )
    values = {name: value for name in found if (value := _try(number, found[name])) is not None}
    return values or None


def _numbers(pairs: Any, number: Callable[[Any], float]) -> Values | None:
    """The cells as numbers, NaN where one holds something else; None where all of them do."""
    found = {name: _try(number, cell) for name, cell in pairs}
    if all(value is None for value in found.values()):
        return None
    return {name: math.nan if value is None else value for name, value in found.items()}


def _try(number: Callable[[Any], float], cell: Any) -> float | None:
    try:
        return number(cell)
    except ValueError:
        return None


def _number(settings: Settings) -> Callable[[Any], float]:
    """A cell as a number: NaN where it says there is no reading, ValueError where it is text."""
    words = {word.lower() for word in settings.missing} | {""}

    def number(cell: Any) -> float:
        if cell is None:
            return math.nan
        if isinstance(cell, bool) or not isinstance(cell, str | int | float):
            raise ValueError(cell)
        try:
            value = float(cell)
        except (ValueError, OverflowError):
            value = math.nan
        if math.isfinite(value) and not (isinstance(cell, str) and "_" in cell):
            return value
        if isinstance(cell, str) and cell.strip().lower() in words:
            return math.nan
        raise ValueError(cell)

    return number
