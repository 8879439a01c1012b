"""Named numbers of runs: stated with them, in their labels and notes, or on the command line."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

from fit.errors import HeatrunError
from fit.records.run import Run

if TYPE_CHECKING:
    from fit.statistics.comparison import MeasuredRun


def label_values(run: Run) -> dict[str, float]:
    """Named numbers of a run: `values` of run.json, and `name=number` in its label and notes.

    Args:
        run: as read.

    Returns:
        The numbers by name, in the unit the name ends with.
    """
    texts = [run.label, *(str(event.details.get("text", "")) for event in run.events)]
    found = {
        name: float(number)
        for text in texts
        for name, number in re.findall(r"([A-Za-z]\w*)\s*=\s*(-?\d+\.?\d*(?:[eE][+-]?\d+)?)", text)
    }
    return {**found, **run.metadata.values}


def values_of(runs: Sequence[MeasuredRun], against: str) -> tuple[str, tuple[float, ...]]:
    """Read `--against NAME` or `--against NAME=0.3,0.5,…`, one value a run in their order.

    Args:
        runs: compared.
        against: the option's text.

    Returns:
        The quantity's name and its value in each run.

    Raises:
        HeatrunError: a value that is missing, too many, or no number.
    """
    name, given, text = (part.strip() for part in against.partition("="))
    if not name:
        raise HeatrunError("--against: no name; write torque_Nm=0.3,0.5 or torque_Nm")
    if given:
        return name, _stated_values(name, text, len(runs))
    missing = [run.path for run in runs if name not in (run.values or {})]
    if missing:
        raise HeatrunError(
            f"--against {name}: {missing[0]} states no {name}; write --against {name}=… with one "
            f"value for each of the {len(runs)} runs, or log them with --set {name}=0.5"
        )
    return name, tuple((run.values or {})[name] for run in runs)


def _stated_values(name: str, text: str, count: int) -> tuple[float, ...]:
    try:
        values = tuple(float(part) for part in text.split(","))
    except ValueError:
        raise HeatrunError(
            f"--against {name}: '{text}' is no list of numbers; write {name}=0.3,0.5"
        ) from None
    if len(values) != count:
        raise HeatrunError(
            f"--against {name}: {len(values)} values for {count} runs; give one for each, in order"
        )
    if not all(math.isfinite(value) for value in values):
        raise HeatrunError(f"--against {name}: '{text}' holds a value that is not finite")
    return values
