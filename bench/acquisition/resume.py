"""Where a run stands whose program died."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from bench.rig.schema import Rig
from fit.errors import RecordError
from fit.records.events import BY_WATCHDOG, Event, EventName, last_event, read_events
from fit.records.metadata import read_metadata
from fit.records.run_folder import DOCUMENT, EVENTS


@dataclass(frozen=True)
class ResumeState:
    """What was done of a run before its program died."""

    folder: Path
    started: datetime  # UTC
    heat_started_s: float | None  # record time [s]
    heat_ended_s: float | None
    interrupted_s: float | None  # when the watchdog last switched off [s]
    left_on: frozenset[str]  # sources that the record does not say went off


def standing(folder: Path, rig: Rig) -> ResumeState:
    """How far the run got.

    A power_off by the watchdog did not end the heating: it was only interrupted.

    Raises:
        RecordError: no run there, it ended in order, or it was made with other nodes.
    """
    path = folder / DOCUMENT
    if not path.is_file():
        raise RecordError(path, "", "no such file", "--resume takes the folder of a run")
    metadata = read_metadata(path)
    try:
        started = datetime.fromisoformat(metadata.started)
        if started.tzinfo is None:
            raise ValueError("started has no time zone")
    except ValueError as error:
        raise RecordError(
            path, "", f"cannot be resumed ({error})", "--resume takes the folder of a run"
        ) from None
    if metadata.nodes != rig.nodes:
        raise RecordError(
            path, "nodes", f"are {', '.join(metadata.nodes)}", f"the rig has {', '.join(rig.nodes)}"
        )
    events, _ = read_events(folder / EVENTS)
    if last_event(events, EventName.STOP) is not None:
        raise RecordError(
            folder / EVENTS, "", "has a stop: this run has ended", "start a new one for another"
        )
    return _state(folder, started, events, len(rig.sources) > 1)


def _state(
    folder: Path, started: datetime, events: tuple[Event, ...], by_phases: bool
) -> ResumeState:
    """What the events say of the heating; by phases it has ended once its last source is off."""
    on: set[str] = set()
    first_on_s: float | None = None
    ended_s: float | None = None
    interrupted_s: float | None = None
    for event in sorted(events, key=lambda one: one.t_s):
        source = str(event.details.get("source", ""))
        if event.event == EventName.POWER_ON:
            on.add(source)
            first_on_s = event.t_s if first_on_s is None else first_on_s
            ended_s = None if by_phases else ended_s
        elif event.event == EventName.POWER_OFF and first_on_s is not None:
            on.discard(source)
            if event.details.get("by") == BY_WATCHDOG:
                interrupted_s = event.t_s
            elif ended_s is None and not on:
                ended_s = event.t_s
    return ResumeState(folder, started, first_on_s, ended_s, interrupted_s, frozenset(on))
