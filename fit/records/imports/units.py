"""The unit a file states of a column: under its header, or in the header itself."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ABSOLUTE_ZERO_degC = -273.15  # by definition of the degree Celsius
TEMPERATURES = {
    "c": "degC",
    "degc": "degC",
    "celsius": "degC",
    "k": "K",
    "kelvin": "K",
    "f": "degF",
    "degf": "degF",
    "fahrenheit": "degF",
}
TIMES = {
    "s": ("s", "sec", "secs", "second", "seconds"),
    "ms": ("ms", "msec", "millis", "milliseconds"),
    "min": ("min", "mins", "minute", "minutes"),
    "h": ("h", "hr", "hrs", "hour", "hours"),
}
PREFIXES = {"": 1.0, "m": 1e-3, "µ": 1e-6, "μ": 1e-6, "u": 1e-6, "k": 1e3}  # SI brochure, table 7
DEGREE = "(?:Â?°|º|˚|ø|\ufffd|℃|℉|deg(?:rees?)?)"  # and what it becomes in a wrong encoding
BRACKETED = re.compile(r"[\[(/]\s*([^\[\](/)]+?)\s*[\])]?\s*$")
TRAILING = re.compile(rf"(?:^|[\s_.])({DEGREE}[\s_.]*[CF]?|[mµμuk][VAW])\s*$")
"""Without brackets one letter is no unit: a column 'K' may be a channel."""


def stated_unit(cell: str, title: str) -> str:
    """What the file calls a column's unit; "" where it calls it nothing.

    Args:
        cell: what stands under the header, on the line of units, if there is one.
        title: the header.

    >>> stated_unit("°F", "K3"), stated_unit("", "I [mA]"), stated_unit("", "K3")
    ('°F', 'mA', '')
    """
    if cell.strip(" []()"):
        return cell.strip(" []()")
    found = BRACKETED.search(title) or TRAILING.search(title)
    return found[1].strip() if found else ""


def stated_units(
    titles: Sequence[str], cells: Sequence[str], places: Sequence[int]
) -> tuple[str, ...]:
    """What the header and the line of units say of the columns at `places`; either may be empty."""

    def at(place: int, row: Sequence[str]) -> str:
        return row[place] if place < len(row) else ""

    return tuple(stated_unit(at(place, cells), at(place, titles)) for place in places)


def temperature_unit(text: str) -> str | None:
    """degC, K or degF, whatever the file calls it; None where it is no unit of temperature.

    >>> temperature_unit("°F"), temperature_unit("deg C"), temperature_unit("mV")
    ('degF', 'degC', None)
    """
    word = text.replace("℃", "°C").replace("℉", "°F")
    word = re.sub(rf"^{DEGREE}[\s_.]*", "", word, flags=re.IGNORECASE).strip().lower()
    return TEMPERATURES.get(word)


def time_unit(text: str) -> str | None:
    """s, ms, min or h, whatever the file calls it; None where it is none of them."""
    word = text.strip().lower()
    return next((unit for unit, names in TIMES.items() if word in names), None)


def temperature_taken(in_file: str, asked: str | None) -> tuple[str, str]:
    """The unit a temperature is taken in, and how that is said.

    Args:
        in_file: what the file says, "" for nothing.
        asked: degC, K or degF, as the user stated it, if at all.

    >>> temperature_taken("°F", None), temperature_taken("°F", "degC")
    (('degF', 'degF, as the file says'), ('degC', "degC, though the file says '°F'"))
    """
    found = temperature_unit(in_file)
    unit = asked or found or "degC"
    if in_file and found != unit:
        return unit, f"{unit}, though the file says {in_file!r}"
    return unit, unit if asked or not found else f"{unit}, as the file says"


def electrical_taken(base: str, in_file: str) -> tuple[float, str]:
    """What readings are multiplied by to be in V, A or W [1], and how that is said."""
    factor = factor_to(base, in_file)
    return factor, base if factor == 1 else f"{in_file}, as the file says"


def factor_to(base: str, text: str) -> float:
    """What a reading in the unit `text` is multiplied by to be in `base` [1]; 1 where unknown.

    >>> factor_to("A", "mA"), factor_to("W", "percent")
    (0.001, 1.0)
    """
    return PREFIXES.get(text[:-1], 1.0) if text.endswith(base) else 1.0


def to_degC(values: Array, unit: str) -> Array:
    """Readings in degC, K or degF as degC, any shape, without digits that rounding made."""
    if unit == "K":
        return np.round(values + ABSOLUTE_ZERO_degC, 9)
    return np.round((values - 32.0) / 1.8, 9) if unit == "degF" else values
