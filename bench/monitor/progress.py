"""Where a heat run stands: its phase, the time left, its guard, its events in plain words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from bench.status import told
from fit.records.run import Event
from fit.records.tail import POWER_PRESENT

SILENT_AFTER_SCANS = 5
SHORTEST_SILENCE_S = 15.0

WORDS = {
    "power_on": "power on",
    "power_off": "power off",
    "gap": "readings missing",
    "reconnect": "instrument back",
    "bad_line": "a line that could not be read",
    "guard": "guard",
    "blind": "a sensor that cannot be believed",
    "operator": "note",
    "stop": "end of the run",
}


@dataclass(frozen=True)
class Phase:
    """What the run is doing."""

    name: str  # waiting | soak | heat | cool | ended | silent
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
        return Phase("waiting", "Waiting for the first reading", "", 0.0, None)
    if (stop := _last(events, "stop")) is not None:
        return Phase("ended", "The run has ended", told(stop.details), stop.t_s, None)
    interval = _seconds(sequence.get("interval_s")) or 1.0
    if silent_s > max(SHORTEST_SILENCE_S, SILENT_AFTER_SCANS * interval):
        note = "the logger has stopped, or the run ended without saying so"
        return Phase("silent", "No new reading", note, t_s, None)
    powered = largest_power > 0 and abs(power) > POWER_PRESENT * largest_power
    return _under_way(t_s, powered, events, sequence)


def _under_way(
    t_s: float, powered: bool, events: Sequence[Event], sequence: Mapping[str, Any]
) -> Phase:
    """Soak, heat or cool, from the events, else from the power."""
    on, off = _last(events, "power_on"), _last(events, "power_off")
    if on is not None and (off is None or off.t_s < on.t_s):
        return _running("heat", "Heating", on.t_s, t_s, sequence.get("heat_s"))
    if off is not None:
        return _running("cool", "Cooling", off.t_s, t_s, sequence.get("cool_s"))
    if powered:
        return Phase("heat", "Heating", "", 0.0, None)
    return _running("soak", "Soaking without power", 0.0, t_s, sequence.get("soak_s"))


def _running(name: str, text: str, since_s: float, t_s: float, length: object) -> Phase:
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
    guard = _last(events, "guard")
    return "" if guard is None else told(guard.details)


def describe(event: Event) -> str:
    """One event in plain words."""
    word, rest = WORDS.get(event.event, event.event.replace("_", " ")), told(event.details)
    return f"{word}: {rest}" if rest else word


def _last(events: Sequence[Event], name: str) -> Event | None:
    return next((event for event in reversed(events) if event.event == name), None)


def _seconds(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
