"""What form the lines of an unknown instrument have, and the rig blocks that would read them."""

from __future__ import annotations

import itertools
import json
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isnan
from typing import Any

from bench.instruments.line import IGNORED, OPEN, Settings, parser
from bench.rig.schema import LONGEST_NODE_NAME

NUMBER = r"[-+]?\d+(?:\.\d*)?(?:[eE][-+]?\d+)?|[-+]?\.\d+"
DATE, CLOCK = r"\d{2,4}[-/]\d{1,2}[-/]\d{2,4}", r"\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?"
# Neither K1:22.56 nor 1:22.56 is a time of day.
STAMP = rf"(?<!\w)(?:{DATE}(?:[T ]{CLOCK})?|{CLOCK})(?:Z|[-+]\d{{2}}:?\d{{2}})?(?!\.?\d)"
ANY_STAMP = r"[-+\d:./TZ ]+"
SEPARATORS = (",", ";", "\t", "|", " ")
TIME_STAMPS = ("time", "t_s", "t_ms", "ms", "s", "seconds", "millis", "timestamp", "uptime")
ENOUGH = 0.6  # share of the lines that must match
WORDS = "|".join(map(re.escape, OPEN))  # where a sensor is open, some readers send a word
VALUE = rf"(?:{NUMBER}|(?<!\w)(?i:{WORDS})(?!\w))"
COUNTED = 3  # lines that tell a counter, and what never changes


@dataclass(frozen=True)
class Form:
    """A form that reads most of the lines: keys of the [[instrument]] block, and one reading."""

    keys: Mapping[str, Any]
    values: Mapping[str, float]
    matched: int
    lines: int


def recognise(lines: Sequence[str]) -> Form | None:
    """The first form that reads most of the lines; None when there is no such form.

    Args:
        lines: whole lines as they came, without terminators.

    >>> recognise(["21.5;20.9", "21.6;20.9"]).keys["separator"]
    ';'
    """
    lines = [line for line in lines if line.strip()]
    if not lines:
        return None
    for propose in (_json, _key_value, _separated, _pattern):
        keys = propose(lines)
        if keys is None:
            continue
        settings = Settings.model_validate({"name": "x", "driver": "line", "port": "x", **keys})
        parse = parser(settings)
        read = [values for line in lines if (values := parse(line)) is not None]
        if read and len(read) >= ENOUGH * len(lines):
            return Form(keys, read[-1], len(read), len(lines))
    return None


def legible(data: bytes) -> float:
    """Share of the bytes that a text instrument would send [1]: tells a wrong speed."""
    if not data:
        return 0.0
    good = sum(32 <= byte < 127 or byte in b"\r\n\t" or byte == 0xB0 for byte in data)
    return good / len(data)


def blocks(name: str, port: str, baud: int, form: Form, query: str | None = None) -> str:
    """The [[instrument]] and [[channel]] blocks that would read the lines, as TOML text."""
    instrument: dict[str, Any] = {"name": name, "driver": "line", "port": port, "baud": baud}
    instrument.update({"query": query} if query else {})
    instrument.update(form.keys)
    text = ["[[instrument]]", *(f"{key} = {_toml(value)}" for key, value in instrument.items())]
    taken: set[str] = set()
    for field, value in form.values.items():
        if field.lower() in TIME_STAMPS:
            continue
        node = _node(field, taken)
        text += [
            "",
            "[[channel]]",
            f'node = "{node}"  # the place it sits on: tab, bar, case, ambient, ...',
            f'instrument = "{name}"',
            f"field = {_toml(field)}",
            f'unit = "{_unit(value)}"  # {_reads(value)}',
        ]
    return "\n".join(text) + "\n"


def scpi_block(port: str, baud: int, identity: str) -> str:
    """The [[instrument]] block for a supply that answers *IDN?, as TOML text."""
    return f"""[[instrument]]
name = "supply"
driver = "scpi"
port = {_toml(port)}
baud = {baud}
identity = {_toml(identity)}
[instrument.queries]
supply_V = "MEAS:VOLT?"
supply_A = "MEAS:CURR?"
[instrument.limits]     # its own limits, set before it is switched on
"VOLT:PROT" = 13
"CURR:PROT" = 0.6
[instrument.switch]     # look the commands up in its manual, and try them with nothing connected
on = ["VOLT 12", "CURR 0.5", "OUTP ON"]
off = ["OUTP OFF"]
"""


def _json(lines: Sequence[str]) -> dict[str, Any] | None:
    for line in reversed(lines):
        try:
            document = json.loads(line)
        except ValueError:
            continue
        if isinstance(document, dict):
            reads = parser(_bare("json"))(line) or {}
            return {"format": "json", "fields": list(reads)} if reads else None
    return None


def _key_value(lines: Sequence[str]) -> dict[str, Any] | None:
    names: Counter[tuple[str, ...]] = Counter()
    parse = parser(_bare("key=value"))
    for line in lines:
        # Only what is nothing but pairs: a number with its unit after it needs a pattern.
        rest = re.sub(rf"[A-Za-z_][\w.]*\s*[=:]\s*{VALUE}", "", line)
        if not rest.strip(" ,;\t") and (values := parse(line)):
            names[tuple(values)] += 1
    return {"format": "key=value", "fields": list(names.most_common(1)[0][0])} if names else None


def _separated(lines: Sequence[str]) -> dict[str, Any] | None:
    for separator in SEPARATORS:
        rows = [line.split() if separator == " " else line.split(separator) for line in lines]
        numeric = [row for row in rows if _is_reading(row)]
        if len(numeric) < ENOUGH * len(rows):
            continue
        width = Counter(map(len, numeric)).most_common(1)[0][0]
        if width == 1 and separator != " ":
            continue
        stamps = [re.fullmatch(STAMP, cell.strip()) for cell in _of(numeric, width)[-1]]
        names = _header(rows, width)
        counters = map(_counts, zip(*_of(numeric, width), strict=True))
        fields = [
            IGNORED if stamp or counts else name
            for name, stamp, counts in zip(names, stamps, counters, strict=True)
        ]
        if all(field == IGNORED for field in fields):
            continue
        keys: dict[str, Any] = {"fields": fields}
        return keys if separator == "," else {**keys, "separator": separator}
    return None


def _header(rows: Sequence[Sequence[str]], width: int) -> list[str]:
    """Names from a line of words of the same width, else t1, t2, ..."""
    for row in rows:
        words = [re.sub(r"\W+", "_", cell.strip().lower()).strip("_") for cell in row]
        named = all(re.match(r"[a-z]", word) for word in words)
        if len(row) == width and named and len(set(words)) == width:
            return words
    return [f"t{i}" for i in range(1, width + 1)]


def _pattern(lines: Sequence[str]) -> dict[str, Any] | None:
    """A pattern from the last line with a number in it: its words stay, its numbers get names."""
    number = re.compile(rf"(?<![\w.])(?:{VALUE})(?![\d.])")
    # Where no number has a point, a comma between two digits may be one: that is not for us to say.
    if any(re.search(r"\d,\d", line) and "." not in line for line in lines):
        return None
    plain = [re.sub(STAMP, "\1", line) for line in lines]
    shapes = Counter(number.sub("\0", line) for line in plain if number.search(line))
    if not shapes:
        return None
    shape = shapes.most_common(1)[0][0]
    alike = [number.findall(line) for line in plain if number.sub("\0", line) == shape]
    columns = list(zip(*alike, strict=True))
    pieces = shape.split("\0")
    pattern, readings = _literal(pieces[0]), 0
    for piece, column in zip(pieces[1:], columns, strict=True):
        if _never_changes(column) and not all(map(_never_changes, columns)):
            pattern += rf"\s*{_literal(column[0])}"
        elif _counts(column):
            pattern += r"\s*\d+"
        else:
            readings += 1
            pattern += rf"\s*(?P<t{readings}>[-+.\deE]+)"
        pattern += _literal(piece)
    if not readings:
        return None
    pattern = pattern.replace(_literal("\1"), ANY_STAMP)
    pattern = re.sub(r"(?:\\ |\\s\*)+", r"\\s*", pattern)
    # With no blank demanded between two numbers, one is cut in two where the next is an open input.
    return {"pattern": re.sub(r"(\)|\\d\+)\\s\*(?=\(\?P<)", r"\1\\s+", pattern)}


def _counts(column: Sequence[str]) -> bool:
    """Whole numbers that rise from line to line by much the same: a counter, or milliseconds."""
    if len(column) < COUNTED or not all(re.fullmatch(r"\s*\d+\s*", cell) for cell in column):
        return False
    numbers = [int(cell) for cell in column]
    steps = [later - earlier for earlier, later in itertools.pairwise(numbers)]
    return min(steps) > 0 and max(steps) <= 1.2 * min(steps)


def _never_changes(column: Sequence[str]) -> bool:
    """The same whole number on every line: part of the text. One with a point may be at rest."""
    return len(column) >= COUNTED and len(set(column)) == 1 and column[0].isdigit()


def _literal(text: str) -> str:
    r"""A pattern for this text alone, which can be written into a file.

    >>> print(_literal("\x1bT1 ="))
    \x1bT1\ =
    """
    return "".join(re.escape(c) if c.isprintable() else ascii(c)[1:-1] for c in text)


def _bare(form: str) -> Settings:
    return Settings.model_validate({"name": "x", "driver": "line", "port": "x", "format": form})


def _is_number(cell: str) -> bool:
    return re.fullmatch(rf"\s*{VALUE}\s*", cell) is not None


def _is_reading(row: Sequence[str]) -> bool:
    """Numbers, and beside them nothing but times of day and dates."""
    values = [cell for cell in row if not re.fullmatch(STAMP, cell.strip())]
    return bool(values) and all(map(_is_number, values))


def _of(rows: Sequence[Sequence[str]], width: int) -> list[Sequence[str]]:
    return [row for row in rows if len(row) == width]


def _node(field: str, taken: set[str]) -> str:
    name = re.sub(r"[^a-z0-9_]+", "_", field.lower()).strip("_") or "t"
    name = name[: LONGEST_NODE_NAME - 2]
    name = name if name[0].isalpha() else f"t{name}"
    while name in taken or name == IGNORED:
        name += "x"
    taken.add(name)
    return name


def _reads(value: float) -> str:
    return "reads no number: open? leave this channel out" if isnan(value) else f"reads {value:g}"


def _unit(value: float) -> str:
    """Room and above in degC; 230 to 450 can hardly be anything but kelvins."""
    return "K" if 230 <= value <= 450 else "degC"


def _toml(value: Any) -> str:
    if isinstance(value, str) and "\\" in value and "'" not in value:
        return f"'{value}'"
    return json.dumps(value, ensure_ascii=False)
