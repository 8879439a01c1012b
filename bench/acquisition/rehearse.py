"""A heat run rehearsed: every instrument is talked to, nothing is switched or written."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from bench.acquisition.scan import first_readings, make_scan, power_columns
from bench.acquisition.station import close_stations, open_stations
from bench.clock import Clock
from bench.control.guard import Guard
from bench.control.sequence import CHECK_S, TIME_CONSTANTS, off_the_others
from bench.rig.schema import Rig
from bench.safety.signals import StopRequests
from bench.status import Scan

if TYPE_CHECKING:
    from fit.budget.model import Budget, Prediction


def rehearse(rig: Rig, clock: Clock, budget: Budget | None) -> list[str]:
    """What a run would find now, and how long it would take, line by line.

    Args:
        rig: as read.
        clock: of the bench.
        budget: for the time it will take and the temperatures to come.

    Raises:
        PortError: an instrument cannot be opened, or sends nothing that can be read.
    """
    with StopRequests() as stops:
        stations = open_stations(rig, clock)
        try:
            readings = first_readings(rig, stations.values(), clock, stops)
        finally:
            close_stations(stations.values())
    columns = power_columns(rig, readings)
    scan = make_scan(
        rig, 0.0, readings, silent_s=dict.fromkeys(stations, 0.0), on=(), columns=columns
    )
    expected = _expected(budget, rig, scan)
    lines = ["Rehearsal: nothing is switched on and nothing is written."]
    for one in rig.instrument:
        fields = ", ".join(f"{name} {value:g}" for name, value in readings[one.name].values.items())
        lines.append(f"{one.name} on {one.port}: {fields}")
    lines += [f"{node}: {value:.2f} degC" for node, value in scan.temperature_degC.items()]
    lines += [f"guard: {line}" for line in _guard(rig, scan, expected)]
    lines.append(duration(rig, expected))
    return [*lines, *(f"missing: {line}" for line in _missing(rig, scan, budget))]


def duration(rig: Rig, expected: Prediction | None) -> str:
    """How long the run will take, in words.

    Args:
        rig: its sequence.
        expected: what the budget predicts; None without a budget.
    """
    sequence = rig.sequence
    heat_s, by = rig.heat.total_s, "at most"
    if rig.heats_in_phases:
        count = len(rig.heat.on)
        how = "at most" if sequence.heat_until == "decided" else "by the rig"
        by = f"{how}, in {count} phase{'s' if count > 1 else ''}"
    elif sequence.heat_until == "settled" and expected is not None and len(expected.tau_s):
        settled_s = TIME_CONSTANTS * float(max(expected.tau_s))
        heat_s, by = min(heat_s, settled_s), "until settled, by the budget"
        if settled_s > sequence.heat_s:
            by = f"and will not have settled: by the budget that takes {settled_s:.0f} s"
    elif sequence.heat_until == "time":
        by = "by the rig"
    minutes = (sequence.soak_s + heat_s + sequence.cool_s) / 60
    return (
        f"time: soak {sequence.soak_s:.0f} s without power, heat {heat_s:.0f} s {by}, "
        f"cool {sequence.cool_s:.0f} s: about {minutes:.0f} min in all"
    )


def expected_of(budget: Budget | None, ambient_degC: float | None) -> Prediction | None:
    """What the budget predicts at its design power, in the air as it is [degC]."""
    if budget is None:
        return None
    from fit.budget import predict

    return predict(budget, ambient_degC=ambient_degC)


def _expected(budget: Budget | None, rig: Rig, scan: Scan) -> Prediction | None:
    ambient = scan.temperature_degC.get("ambient", math.nan)
    return expected_of(budget, None if math.isnan(ambient) else ambient)


def _guard(rig: Rig, scan: Scan, expected: Prediction | None) -> Iterator[str]:
    trip = Guard(rig).check(scan, False)
    if trip is not None:
        yield f"WOULD END THE RUN AT ONCE: {trip.text}"
    degC = {node: scan.temperature_degC[node] for node in rig.path_nodes}
    read = {node: value for node, value in degC.items() if not math.isnan(value)}
    off = off_the_others(read, rig.sequence.isothermal_K)
    if off is not None:
        yield f"WOULD END THE RUN AFTER {CHECK_S:g} s: {off.text}"
    for node, most in rig.guard.max_degC.items():
        text = f"{node} switches off at {most:g} degC"
        if expected is not None and node in expected.rise_K:
            to_come = expected.ambient_degC + expected.rise_K[node]
            over = ": IT WILL SWITCH OFF" if to_come > most else ""
            text += f", {to_come:.0f} expected at {expected.power_W:g} W{over}"
        yield text
    if rig.guard.max_power_W is not None:
        what = "all sources switch" if len(rig.sources) > 1 else "the supply switches"
        yield f"{what} off at {rig.guard.max_power_W:g} W"
    yield f"silence for {rig.guard.silence_s:g} s switches off"


def _missing(rig: Rig, scan: Scan, budget: Budget | None) -> Iterator[str]:
    for node, value in scan.temperature_degC.items():
        if math.isnan(value):
            yield f"{node} gives no reading: open thermocouple, or a wrong field"
    unguarded = [node for node in rig.nodes if node not in {*rig.guard.max_degC, "ambient"}]
    if not rig.guard.max_degC:
        yield "guard.max_degC: no temperature switches the power off"
    elif unguarded:
        yield f"guard.max_degC of {', '.join(unguarded)}: not guarded, however hot"
    if rig.guard.max_power_W is None and any(one.measured for one in rig.sources):
        yield "guard.max_power_W: no power switches it off"
    if "ambient" not in rig.nodes:
        yield "a channel for ambient: a drift of the room will count as the prototype's"
    for source in rig.sources:
        switching = rig.switching(source)
        if switching is not None and not switching.limits:
            yield f"limits of {switching.name}: its own limits are not set by the run"
        if not source.is_switched:
            yield f"a switch for '{source.name}': no end of the run switches it off"
    if not any(channel.match_u for channel in rig.channel):
        yield "match_u: how alike the thermocouples are counts as perfect"
    if not any(stated.u_relative for stated in (rig.power, *rig.source) if stated is not None):
        yield "u_relative: how good the power reading is counts as perfect"
    if budget is None:
        yield "--budget: no time constants, so no time to settle and no expected temperatures"
    yield "a hardware cut-out, unless you fitted one: no program replaces it"
