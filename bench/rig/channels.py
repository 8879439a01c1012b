"""From what the instruments sent to node temperatures in degC."""

from __future__ import annotations

import math
from collections.abc import Mapping

from bench.instruments.base import Reading
from bench.rig import resistance_thermometer
from bench.rig.schema import Channel, Rig

MICROVOLTS = {"uV": 1.0, "mV": 1e3, "V": 1e6}


def temperatures_degC(rig: Rig, readings: Mapping[str, Reading]) -> dict[str, float]:
    """Temperature of every node of the rig.

    Args:
        rig: its channels say what each field means.
        readings: latest reading of each instrument by its name; an instrument may be missing.

    Returns:
        Node to temperature [degC]; NaN where there is no reading, or no cold junction for it.
    """
    plain: dict[str, float] = {}
    compensated: list[tuple[Channel, float]] = []
    for channel in rig.thermometers:
        reading = readings.get(channel.instrument)
        raw = math.nan if reading is None else reading.values.get(channel.field, math.nan)
        if channel.thermocouple is None:
            plain[channel.node] = _plain_degC(channel, raw)
        else:
            compensated.append((channel, raw))
    values = dict(plain)
    for channel, raw in compensated:
        values[channel.node] = _compensated_degC(channel, raw, plain)
    # To the microkelvin: beyond, there is nothing but what arithmetic leaves.
    return {node: round(values[node], 6) for node in rig.nodes}


def drawn_W(rig: Rig, readings: Mapping[str, Reading]) -> dict[str, float]:
    """Electrical power of each source by its supply's own figures [W]; NaN where none came.

    Args:
        rig: its sources name the fields; of an only one without a name `power_W`, or `supply_V` and
            `supply_A`, are taken from any instrument.
        readings: latest reading of each instrument by its name.
    """
    fields: dict[str, float] = {}
    for reading in readings.values():
        fields.update(reading.values)
    return {
        source.name: fields["power_W"]
        if not source.name and "power_W" in fields
        else math.prod(fields.get(name, math.nan) for name in source.fields or ("",))
        for source in rig.sources
    }


def _plain_degC(channel: Channel, value: float) -> float:
    if channel.resistance_thermometer is not None:
        R0_ohm = resistance_thermometer.R0_OHM[channel.resistance_thermometer]
        return resistance_thermometer.temperature_degC(value, R0_ohm)
    if channel.scale is not None:
        return channel.scale * value + (channel.offset or 0.0)
    if channel.unit == "K":
        return value - 273.15
    if channel.unit == "degF":
        return (value - 32.0) / 1.8
    return value


def _compensated_degC(channel: Channel, raw: float, plain: Mapping[str, float]) -> float:
    from bench.rig import thermocouple

    kind = channel.thermocouple or ""
    cold = (
        plain.get(channel.cold_junction, math.nan)
        if channel.cold_junction is not None
        else channel.cold_junction_degC
    )
    cold = math.nan if cold is None else cold
    if channel.unit in MICROVOLTS:
        return float(thermocouple.temperature_degC(kind, MICROVOLTS[channel.unit] * raw, cold))
    reported = _plain_degC(channel, raw)
    slope = channel.constant_uV_per_K or math.nan
    return float(thermocouple.undo_constant_slope_degC(kind, reported, cold, slope))
