"""What the page is told: the whole state of a run as one JSON object, small at any length."""

from __future__ import annotations

import math
import time
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from bench.monitor.progress import Phase, State, describe, guard_lines, phase, tripped
from bench.monitor.settling import Estimate
from fit.assessment.decision import CONFORMING, NON_CONFORMING
from fit.notation import digits, fixed, with_expanded
from fit.records.run import Array, Event
from fit.records.tail import FolderReader

CELLS = 320
EVENTS_SHOWN = 60
OVERALL = {CONFORMING: "Within budget", NON_CONFORMING: "Over budget"}


SEVERAL = {
    "state": "none",
    "word": "Not judged while it runs",
    "headline": "",
    "text": "Of several sources nothing is known without a budget: start with --budget BUDGET.",
}


def page_state(
    reader: FolderReader, estimates: Sequence[Estimate], judged: bool
) -> dict[str, object]:
    """The page's whole state.

    Args:
        reader: of the run folder, as of its last look.
        estimates: in order of time.
        judged: whether there is a budget to judge by.
    """
    n = reader.scans
    largest = float(np.nanmax(np.abs(reader.power), initial=0.0)) if n else 0.0
    now = _phase(reader, largest)
    latest = estimates[-1] if estimates else None
    readings = _latest_readings(reader)
    power = float(reader.power[-1]) if n else float("nan")
    return {
        "label": reader.label,
        "started": reader.metadata.started,
        "phase": {"name": now.name, "text": now.text, "note": now.note, "left_s": now.left_s},
        "t_s": float(reader.t_s[-1]) if n else None,
        "heat_s": reader.heat_started_s(),
        "scans": n,
        "bad_rows": reader.bad_rows,
        "readings": [{"node": node, "degC": value} for node, value in readings.items()],
        "power": power,
        "power_text": fixed(power, 3),
        "power_unit": reader.power_unit,
        "guard": _guard(reader, readings, power),
        "events": [
            {"t_s": event.t_s, "kind": event.event, "text": _text(event)}
            for event in reader.events[-EVENTS_SHOWN:]
        ],
        "curves": thin(reader.t_s, reader.temperature_degC, reader.power) if n else None,
        "nodes": list(reader.nodes),
        "spans": _spans(estimates),
        "decision": SEVERAL
        if reader.has_several_sources and not judged
        else _decision(latest, judged, now),
    }


def _text(event: Event) -> str:
    """An event in words; whatever another program wrote there, the page goes on."""
    try:
        return describe(event)
    except Exception:
        return event.event


def _phase(reader: FolderReader, largest: float) -> Phase:
    n = reader.scans
    return phase(
        float(reader.t_s[-1]) if n else None,
        float(reader.power[-1]) if n else 0.0,
        largest,
        reader.events,
        reader.metadata.rig_table("sequence"),
        silent_s=time.monotonic() - reader.grown_at,
    )


def _latest_readings(reader: FolderReader) -> dict[str, float]:
    if not reader.scans:
        return {}
    return dict(zip(reader.nodes, map(float, reader.temperature_degC[-1]), strict=True))


def _guard(reader: FolderReader, readings: Mapping[str, float], power: float) -> dict[str, object]:
    lines = guard_lines(reader.metadata.rig_table("guard"), readings, power)
    return {
        "tripped": tripped(reader.events),
        "lines": [
            {
                "what": line.what,
                "now": line.now,
                "limit": line.limit,
                "unit": line.unit,
                "state": line.state,
            }
            for line in lines
        ],
    }


def _spans(estimates: Sequence[Estimate]) -> list[dict[str, object]]:
    """Every span's latest value with the history of its interval."""
    if not estimates or not estimates[-1].spans:
        return []
    series = []
    for span in estimates[-1].spans:
        history = [
            (one.t_s, past.R_K_per_W, past.u_K_per_W)
            for one in estimates
            for past in one.spans
            if past.name == span.name
            and past.settled
            and past.resolved
            and math.isfinite(past.R_K_per_W + past.u_K_per_W)
        ]
        series.append(
            {
                "name": span.name,
                "R": span.R_K_per_W,
                "u": span.u_K_per_W,
                "predicted": span.predicted_K_per_W,
                "limit": span.limit_K_per_W,
                "value_text": with_expanded(span.R_K_per_W, span.u_K_per_W),
                "limit_text": digits(span.limit_K_per_W),
                "decision": span.decision,
                "settled": span.settled,
                "resolved": span.resolved,
                "history": {
                    "t_s": [h[0] for h in history],
                    "R": [h[1] for h in history],
                    "u": [h[2] for h in history],
                },
            }
        )
    return series


def _decision(latest: Estimate | None, judged: bool, now: Phase) -> dict[str, str]:
    """The big plain decision, with what it rests on."""
    if latest is None or not latest.spans:
        text = "Resistances show up once the power has been on for a while."
        return {"state": "none", "word": "Too early to say", "headline": "", "text": text}
    if not judged:
        text = "No budget was given, so nothing is judged: start with --budget BUDGET."
        return {"state": "none", "word": "Measured, not judged", "headline": "", "text": text}
    state = latest.decision or "undecided"
    word = OVERALL.get(state, "Not decided yet" if now.name != State.ENDED else "Not decided")
    open_spans = [span.name for span in latest.spans if span.decision not in OVERALL]
    over = [span.name for span in latest.spans if span.decision == NON_CONFORMING]
    parts = [latest.text] if latest.text else []
    if over and not latest.text:
        parts.append(f"Over its limit: {', '.join(over)}.")
    if open_spans:
        parts.append(f"Still open: {', '.join(open_spans)}.")
    if state == CONFORMING and not latest.text:
        parts.append("Every measured span is within its limit.")
    return {"state": state, "word": word, "headline": latest.headline, "text": " ".join(parts)}


def thin(t_s: Array, temperature_degC: Array, power: Array, cells: int = CELLS) -> dict[str, Any]:
    """Range of the readings in even cells of time, so that no excursion is lost.

    Args:
        t_s: times (n,) [s].
        temperature_degC: readings (n, nodes) [degC].
        power: (n,).
        cells: at most so many.
    """
    n = len(t_s)
    starts = np.unique(np.linspace(0, n, min(cells, n), endpoint=False).astype(int))
    low = np.fmin.reduceat(temperature_degC, starts, axis=0)
    high = np.fmax.reduceat(temperature_degC, starts, axis=0)
    ends = np.append(starts[1:], n) - 1
    return {
        "t_s": np.round(t_s[ends], 2).tolist(),
        "low": np.round(low.T, 3).tolist(),
        "high": np.round(high.T, 3).tolist(),
        "power": np.round(np.fmax.reduceat(power, starts), 4).tolist(),
    }
