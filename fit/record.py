"""The run folder: read, append, results. With `importing.py` the only place that knows file names and columns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Event:
    """One line of events.jsonl."""

    t_s: float
    event: str
    details: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class Run:
    """One heat run as it was recorded: nothing corrected, nothing invented.

    Missing readings are NaN. `document` is run.json (empty for a bare CSV), `left_out` says what
    reading had to drop (a torn last line, repeated time stamps, ...), one sentence each.
    """

    path: Path
    label: str
    nodes: tuple[str, ...]
    t_s: Array  # (n,) [s]
    temperature_degC: Array  # (n, nodes) [degC]
    power: Array  # (n,) [power_unit]
    power_unit: str = "W"
    events: tuple[Event, ...] = ()
    document: Mapping[str, object] = field(default_factory=dict)
    left_out: tuple[str, ...] = ()
