"""One scan: ask every instrument at once, take what has come within the window."""

from __future__ import annotations

import math
import time
from collections.abc import Collection, Mapping

from bench.acquisition.station import WINDOW, InstrumentWorker
from bench.clock import Clock
from bench.instruments.base import Reading
from bench.rig.channels import drawn_W, temperatures_degC
from bench.rig.schema import Rig
from bench.rig.sources import SUPPLY, PowerSource
from bench.safety.signals import StopRequests
from bench.status import Scan
from fit.errors import PortError
from fit.records.source_columns import power_column

LOOK_S = 0.02
FIRST_READING_AT_LEAST_S = 5.0


def power_columns(rig: Rig, readings: Mapping[str, Reading]) -> tuple[str, ...]:
    """Columns in which the record keeps the power: the supply's own figures where it gives both."""
    if rig.power is None:
        return tuple(column for source in rig.sources for column in source.columns)
    given = {name for reading in readings.values() for name in reading.values}
    if rig.power.source == "measured" and "power_W" not in given and given.issuperset(SUPPLY):
        return SUPPLY
    return ("power_W",)


def ask(
    stations: Collection[InstrumentWorker], clock: Clock, interval_s: float
) -> dict[str, Reading]:
    """Ask all and take what has come: one reading of each, if it has a new one.

    What is slow is not waited for; its reading then stands in the next scan, and none is dropped.
    A quick instrument that was late once is not asked in that next scan, and so is in time again.
    On the lock-step bench all are waited for, one after the other, so that a run is the same each
    time.
    """
    if clock.lock_step:
        for station in stations:
            station.ask()
            station.wait(None)
        return _taken(stations)
    deadline_s = time.monotonic() + WINDOW * interval_s
    late = _taken([station for station in stations if not station.streams])
    others = [station for station in stations if station.name not in late]
    for station in stations:
        if station.name not in late or not station.is_prompt(interval_s):
            station.ask()
    for station in others:
        if station.is_prompt(interval_s):
            station.wait(deadline_s)
    return late | _taken(others)


def _taken(stations: Collection[InstrumentWorker]) -> dict[str, Reading]:
    taken = {station.name: station.take() for station in stations}
    return {name: reading for name, reading in taken.items() if reading is not None}


def make_scan(
    rig: Rig,
    t_s: float,
    readings: Mapping[str, Reading],
    *,
    silent_s: Mapping[str, float],
    on: Collection[str],
    columns: tuple[str, ...],
) -> Scan:
    """What the readings mean: temperatures of the nodes and the power.

    Args:
        rig: its channels and its power.
        t_s: of the scan, since the start of the record [s].
        readings: new ones by instrument.
        silent_s: time since each instrument's last reading [s].
        on: sources that are on, as switched and confirmed: a stated power is recorded while it is.
        columns: power columns of the record.
    """
    given = {name: value for one in readings.values() for name, value in one.values.items()}
    drawn = drawn_W(rig, readings)
    recorded = {
        one.name: drawn[one.name] if one.measured else _stated_W(one, on) for one in rig.sources
    }
    kept: dict[str, float] = {}
    for one in rig.sources:
        names = one.columns if one.name else SUPPLY
        figures = zip(names, one.fields, strict=True) if one.fields else ()
        kept |= {column: given.get(field, math.nan) for column, field in figures}
        kept[power_column(one.name)] = recorded[one.name]
    return Scan(
        t_s,
        temperatures_degC(rig, readings),
        sum(recorded.values()),
        sum(drawn.values()),
        {name: kept[name] for name in columns},
        silent_s,
        drawn,
    )


def _stated_W(source: PowerSource, on: Collection[str]) -> float:
    """A stated power while it is on [W]; a source that is never switched is taken to be on."""
    return (source.power_W or 0.0) if source.name in on or not source.is_switched else 0.0


def first_readings(
    rig: Rig, stations: Collection[InstrumentWorker], clock: Clock, stops: StopRequests
) -> dict[str, Reading]:
    """A first reading of every instrument, before anything is created.

    Raises:
        PortError: one of them gives none; says what came instead.
        KeyboardInterrupt: a stop was asked for.
    """
    readings: dict[str, Reading] = {}
    within_s = max(FIRST_READING_AT_LEAST_S, rig.guard.silence_s)
    deadline = time.monotonic() + within_s
    while True:
        readings |= ask([one for one in stations if one.name not in readings], clock, 1.0)
        missing = [station for station in stations if station.name not in readings]
        if not missing:
            return readings
        if stops.first:
            raise KeyboardInterrupt
        if time.monotonic() > deadline:
            break
        time.sleep(LOOK_S)
    silent = rig.instrument_named(missing[0].name)
    problem = (
        f"{silent.name}: no reading on port {silent.port} within {within_s:g} s: "
        f"{missing[0].describe_silence()}"
    )
    if silent.driver == "line":
        speed = "" if "://" in silent.port else f"check baud = {silent.baud}: "
        problem += f"; {speed}'heatrun listen {silent.port}' shows what it sends"
    raise PortError(problem)
