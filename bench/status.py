"""What passes between the rooms of the logger while a heat run goes on."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from fit.notation import span_name
from fit.records.events import Phase

TELL_ALL = ("text", "problem", "phase")  # details beside which the others say nothing new
NOT_TOLD = ("instrument", "lines", "utc", "exit_status", "scans")


@dataclass(frozen=True)
class Scan:
    """Everything measured at one tick of the logger, as far as it came."""

    t_s: float  # since the start of the record [s]
    temperature_degC: Mapping[str, float]  # node -> [degC]; NaN where nothing came
    power_W: float = math.nan  # electrical, measured or stated [W]; NaN where nothing came
    drawn_W: float = math.nan  # by the supply's own figures [W]; NaN where it gives none
    columns: Mapping[str, float] = field(default_factory=dict)  # power columns of the record
    silent_s: Mapping[str, float] = field(default_factory=dict)  # since an instrument's last
    each_drawn_W: Mapping[str, float] = field(default_factory=dict)  # drawn_W by source [W]


@dataclass(frozen=True)
class Note:
    """Something that happened, for events.jsonl."""

    t_s: float  # bench clock [s]
    event: str
    details: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class Trip:
    """A reason to switch the power off at once."""

    rule: str  # temperature, rate, blind, silence, power, isothermal, stall, switch
    text: str
    node: str | None = None


@dataclass(frozen=True)
class SpanEstimate:
    """One span of the path as far as it is known."""

    from_node: str
    to_node: str
    R_K_per_W: float
    u_K_per_W: float
    limit_K_per_W: float | None = None
    decision: str | None = None  # conforming | non-conforming | undecided; None without a budget
    resolved: bool = True  # False: what is known of it is no number to show
    stages: Sequence[str] = ()  # of the budget

    @property
    def name(self) -> str:
        """Its stages, else its two nodes."""
        return span_name(self.stages, self.from_node, self.to_node)


@dataclass(frozen=True)
class Estimate:
    """Where the heat run is going, by what has come so far."""

    t_s: float
    tau_s: tuple[float, ...] = ()
    final_degC: Mapping[str, float] = field(default_factory=dict)
    spans: tuple[SpanEstimate, ...] = ()

    @property
    def decided(self) -> bool:
        """Every span has its decision."""
        return bool(self.spans) and all(
            span.decision in ("conforming", "non-conforming") for span in self.spans
        )


@dataclass(frozen=True)
class Status:
    """The heat run now, for those who look at it."""

    scan: Scan
    phase: Phase
    phase_left_s: float | None  # None: not known yet
    power_on: bool
    slope_K_per_min: Mapping[str, float]
    estimate: Estimate | None = None
    scans: int = 0


class View(Protocol):
    """What shows a run while it is logged."""

    def show(self, status: Status) -> None:
        """The run has come to this. Returns at once."""
        ...

    def say(self, text: str, loud: bool = False) -> None:
        """One line that has to stay on the screen; `loud` where somebody must act."""
        ...

    def close(self) -> None:
        """Give the screen back."""
        ...


class NoView:
    """A view that shows nothing."""

    def show(self, status: Status) -> None:
        pass

    def say(self, text: str, loud: bool = False) -> None:
        pass

    def close(self) -> None:
        pass


def describe(t_s: float, event: str, details: Mapping[str, object]) -> str:
    """An event as one line.

    >>> describe(120.02, "gap", {"instrument": "reader", "problem": "no reading for 3 s"})
    '   120.0 s  gap        reader: no reading for 3 s'
    """
    return f"{t_s:8.1f} s  {event.replace('_', ' '):<10} {told(details)}".rstrip()


def told(details: Mapping[str, object]) -> str:
    """What the details of an event say, in words.

    >>> told({"instrument": "reader", "gap_s": 1.5, "utc": "2026-11-27T06:41:21.091Z"})
    'reader: gap 1.5 s'
    """
    head = details.get("instrument")
    whole = next((str(details[key]) for key in TELL_ALL if details.get(key)), "")
    body = whole or ", ".join(
        _detail(key, value)
        for key, value in details.items()
        if key not in NOT_TOLD and value not in (None, "", [], {})
    )
    return f"{head}: {body}" if head and not body.startswith(f"{head}:") else body


def _detail(key: str, value: object) -> str:
    if key == "reason":
        return str(value)
    if key.endswith("_s"):
        return f"{key.removesuffix('_s').replace('_', ' ')} {value} s"
    return f"{key.replace('_', ' ')} {value}"
