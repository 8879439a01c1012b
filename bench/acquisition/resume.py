"""Where a run stands whose program died."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from bench.rig.schema import Rig
from fit.errors import RecordError
from fit.records.events import BY_WATCHDOG, EventName, last_event, read_events
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
    left_on: bool  # the record does not say that the power went off


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
    on = [event.t_s for event in events if event.event == EventName.POWER_ON]
    switched_off = [event for event in events if event.event == EventName.POWER_OFF]
    off = [event for event in switched_off if on and event.t_s > on[0]]
    by_watchdog = [event.t_s for event in off if event.details.get("by") == BY_WATCHDOG]
    in_order = [event.t_s for event in off if event.details.get("by") != BY_WATCHDOG]
    return ResumeState(
        folder,
        started,
        heat_started_s=on[0] if on else None,
        heat_ended_s=in_order[0] if in_order else None,
        interrupted_s=by_watchdog[-1] if by_watchdog else None,
        left_on=bool(on) and max((event.t_s for event in off), default=-math.inf) < on[-1],
    )
