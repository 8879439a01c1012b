"""A virtual thermocouple reader that sends lines."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping

from bench.virtual.instrument import Faults

READ = "READ?"
Values = Mapping[str, float]


class LineReader:
    """Sends all its channels on one line, asked with READ? or as a stream."""

    def __init__(
        self, read: Callable[[], Values], write: Callable[[Values], str] | None = None
    ) -> None:
        """
        Args:
            read: present reading of every channel, by name.
            write: makes the line; separated by commas when None.
        """
        self._read = read
        self._write = write or separated

    def answer(self, line: str, faults: Faults) -> str | None:
        if line.strip().upper() == READ:
            return self._write(self._read())
        return "heatrun,virtual reader,1,0" if line.strip().upper() == "*IDN?" else None

    def unasked(self) -> str | None:
        return self._write(self._read())


def separated(values: Values) -> str:
    """`21.50,22.00`; an open sensor is `open`."""
    return ",".join("open" if math.isnan(value) else f"{value:.4f}" for value in values.values())


def key_value(values: Values) -> str:
    """`tab=21.50 case=22.00`."""
    return " ".join(f"{name}={value:.4f}" for name, value in values.items())


def as_json(values: Values) -> str:
    """One JSON object; an open sensor is null."""
    return json.dumps({n: None if math.isnan(v) else round(v, 4) for n, v in values.items()})


def labelled(values: Values) -> str:
    """`T1=21.50 C T2=22.00 C`, for a pattern."""
    return " ".join(f"T{i}={value:.2f} C" for i, value in enumerate(values.values(), 1))


FORMATS = {"separated": separated, "key=value": key_value, "json": as_json, "labelled": labelled}
