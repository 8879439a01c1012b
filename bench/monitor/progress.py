"""Where a heat run stands: its phase, the time left, its guard, its events in plain words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from bench.status import told
from fit.records.events import Event, EventName, last_event
from fit.records.tail import POWER_PRESENT

SILENT_AFTER_SCANS = 5
SHORTEST_SILENCE_S = 15.0

WORDS: dict[str, str] = {
    EventName.POWER_ON: "power on",
    EventName.POWER_OFF: "power off",
    EventName.GAP: "readings missing",
    EventName.RECONNECT: "instrument back",
    EventName.BAD_LINE: "a line that could not be read",
    EventName.GUARD: "guard",
    EventName.BLIND: "a sensor that cannot be believed",
    EventName.OPERATOR: "note",
    EventName.STOP: "end of the run",
}


class State(StrEnum):
    """What a run in a folder is doing, as far as the folder tells."""

    WAITING = "waiting"
    SOAK = "soak"
    HEAT = "heat"
    COOL = "cool"
    ENDED = "ended"
    SILENT = "silent"


@dataclass(frozen=True)
class Phase:
    """What the run is doing."""

    name: State
    text: str
    note: str  # what belongs to it, in small print
    since_s: float
    left_s: float | None  # at most, None where nobody knows


@dataclass(frozen=True)
class GuardLine:
    """One guard limit and how near the reading is."""

    what: str
    now: float | None
    limit: float
    unit: str

    @property
    def state(self) -> str:
        """ok | near | over | unknown."""
        if self.now is None or not math.isfinite(self.now):
            return "unknown"
        if self.now > self.limit:
            return "over"
        return "near" if self.now > self.limit - 0.1 * abs(self.limit) else "ok"


def phase(
    t_s: float | None,
    power: float,
    largest_power: float,
    events: Sequence[Event],
    sequence: Mapping[str, Any],
    *,
    silent_s: float,
) -> Phase:
    """The phase from events and power.

    Args:
        t_s: the last scan's time [s]; None where there is no scan yet.
        power: at the last scan, and `largest_power` of all scans, in the record's unit.
        events: so far.
        sequence: the rig's [sequence] as read, {} where unknown.
        silent_s: wall time since the last scan came [s].
    """
    if t_s is None:
        return Phase(State.WAITING, "Waiting for the first reading", "", 0.0, None)
    if (stop := last_event(events, EventName.STOP)) is not None:
        return Phase(State.ENDED, "The run has ended", told(stop.details), stop.t_s, None)
    interval = _seconds(sequence.get("interval_s")) or 1.0
    if silent_s > max(SHORTEST_SILENCE_S, SILENT_AFTER_SCANS * interval):
        note = "the logger has stopped, or the run ended without saying so"
        return Phase(State.SILENT, "No new reading", note, t_s, None)
    powered = largest_power > 0 and abs(power) > POWER_PRESENT * largest_power
    return _under_way(t_s, powered, events, sequence)


def _under_way(
    t_s: float, powered: bool, events: Sequence[Event], sequence: Mapping[str, Any]
) -> Phase:
    """Soak, heat or cool, from the events, else from the power."""
    since_s: dict[object, float] = {}  # sources that are on
    on_s = off_s = None
    for event in events:
        source = event.details.get("source")
        if event.event == EventName.POWER_ON:
            on_s = event.t_s if not since_s else on_s
            since_s[source] = event.t_s
        elif event.event == EventName.POWER_OFF:
            since_s.pop(source, None)
            off_s = event.t_s
    if since_s and on_s is not None:
        return _running(State.HEAT, "Heating", on_s, t_s, _heating_s(sequence))
    if off_s is not None:
        return _running(State.COOL, "Cooling", off_s, t_s, sequence.get("cool_s"))
    if powered:
        return Phase(State.HEAT, "Heating", "", 0.0, None)
    return _running(State.SOAK, "Soaking without power", 0.0, t_s, sequence.get("soak_s"))


def _heating_s(sequence: Mapping[str, Any]) -> object:
    """How long the heating may last, as far as the rig says [s]."""
    phases = sequence.get("phases")
    each = [_seconds(one.get("for_s")) for one in phases or () if isinstance(one, Mapping)]
    known = [one for one in each if one is not None]
    if each and len(known) == len(each):
        return sum(known)
    return sequence.get("heat_s")


def _running(name: State, text: str, since_s: float, t_s: float, length: object) -> Phase:
    seconds = _seconds(length)
    left = None if seconds is None else max(0.0, since_s + seconds - t_s)
    return Phase(name, text, "", since_s, left)


def guard_lines(
    guard: Mapping[str, Any], now_degC: Mapping[str, float], power_W: float
) -> list[GuardLine]:
    """Every limit of the rig's [guard] beside its reading."""
    limits = guard.get("max_degC")
    lines = [
        GuardLine(str(node), now_degC.get(str(node)), float(limit), "°C")
        for node, limit in (limits.items() if isinstance(limits, Mapping) else ())
        if isinstance(limit, int | float)
    ]
    largest = _seconds(guard.get("max_power_W"))
    if largest is not None:
        lines.append(GuardLine("power", power_W, largest, "W"))
    return lines


def tripped(events: Sequence[Event]) -> str:
    """What the guard did, "" where it did nothing."""
    guard = last_event(events, EventName.GUARD)
    return "" if guard is None else told(guard.details)


def describe(event: Event) -> str:
    """One event in plain words."""
    word, rest = WORDS.get(event.event, event.event.replace("_", " ")), told(event.details)
    return f"{word}: {rest}" if rest else word


def _seconds(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
