"""events.jsonl: what happened during a run, one line each.

The names are the record's; more may come from other programs, and are kept as they are.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

from fit.records.plain_file import LARGEST_TABLE, read_plain

UNREADABLE = (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError)
LINES_NAMED = 5  # of those left out; more would be no sentence


class EventName(StrEnum):
    """What an event may be."""

    POWER_ON = "power_on"
    POWER_OFF = "power_off"
    POWER_OFF_FAILED = "power_off_failed"
    PHASE = "phase"
    GAP = "gap"
    RECONNECT = "reconnect"
    BAD_LINE = "bad_line"
    GUARD = "guard"
    BLIND = "blind"
    WATCHDOG = "watchdog"
    SUSPEND = "suspend"
    CLOCK = "clock"
    OPERATOR = "operator"
    STOP = "stop"


class EndReason(StrEnum):
    """Why a run ended: `reason` of its stop."""

    FINISHED = "finished"
    OPERATOR = "operator"
    GUARD = "guard"
    INSTRUMENT = "instrument"
    SWITCH = "switch"
    DISK = "disk"
    ERROR = "error"
    IMPORTED = "imported"


class Phase(StrEnum):
    """What a heat run is doing: `phase` of a phase event."""

    ISOTHERMAL = "isothermal check"
    SOAK = "soak"
    HEAT = "heat"
    COOL = "cool"
    FINISHED = "finished"


BY_WATCHDOG = "watchdog"
"""`by` of a power_off that the watchdog has written: the heating was interrupted, not ended."""


@dataclass(frozen=True)
class Event:
    """One line of events.jsonl."""

    t_s: float
    event: str  # an EventName, or another program's
    details: Mapping[str, object] = field(default_factory=dict)


def event_from(line: str | bytes) -> Event | None:
    """The event that a line states; None where it states none.

    >>> event_from('{"t_s": 120.0, "event": "power_on"}')
    Event(t_s=120.0, event='power_on', details={})
    """
    try:
        entry = json.loads(line)
        event = Event(float(entry.pop("t_s")), str(entry.pop("event")), entry)
    except UNREADABLE:
        return None
    return event if math.isfinite(event.t_s) else None


def read_events(path: Path) -> tuple[tuple[Event, ...], tuple[str, ...]]:
    """Events of events.jsonl (none if there is no such file), and what was left out of it.

    A line that cannot be read is left out: events help a fit, they must not prevent one.
    """
    if not path.exists():
        return (), ()
    events, bad = [], []
    lines = read_plain(path, LARGEST_TABLE).splitlines(keepends=True)
    for number, line in enumerate(lines, start=1):
        event = event_from(line) if line.endswith(b"\n") else None
        if event is not None:
            events.append(event)
        elif line.strip():
            bad.append(str(number))
    if not bad:
        return tuple(events), ()
    more = ", …" if len(bad) > LINES_NAMED else ""
    where = f"line{'s' if len(bad) > 1 else ''} {', '.join(bad[:LINES_NAMED])}{more}"
    return tuple(events), (f"{path.name}: {where} cannot be read as an event",)


def last_event(events: Iterable[Event], name: EventName) -> Event | None:
    """The last of its name; None where there is none."""
    return next((event for event in reversed(tuple(events)) if event.event == name), None)
