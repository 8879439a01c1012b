"""What the user states of a run: the unit on the bench, and what was set."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from fit.errors import RecordError

KEY = re.compile(r"[A-Za-z]\w*")


def stated_labels(unit: str | None, values: Sequence[str] | None) -> dict[str, object]:
    """`--unit` and `--set` as run.json keeps them.

    Args:
        unit: serial number of the unit.
        values: KEY=VALUE each.

    Raises:
        RecordError: what is no such pair.

    >>> stated_labels("SN12", ["torque_Nm=0.5", "lot=A3"])
    {'unit': 'SN12', 'values': {'torque_Nm': 0.5, 'lot': 'A3'}}
    """
    if unit is not None and not unit.strip():
        raise RecordError("--unit", "", "is empty", "a serial number, say")
    found: dict[str, object] = {}
    for text in values or ():
        key, sign, value = (part.strip() for part in text.partition("="))
        if not sign or not value or not KEY.fullmatch(key):
            raise RecordError("--set", "", f"{text[:60]!r} is no KEY=VALUE", "torque_Nm=0.5, say")
        if key in found:
            raise RecordError("--set", "", f"{key} stands twice", "give each once")
        found[key] = _number(value)
    return ({"unit": unit.strip()} if unit else {}) | ({"values": found} if found else {})


def _number(text: str) -> float | str:
    """A number where it is one, to be compared by; else the words."""
    try:
        value = float(text)
    except ValueError:
        return text
    return value if math.isfinite(value) else text
