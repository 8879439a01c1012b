"""What the parts of a rig owe each other: names that meet, one field a node."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

from bench.instruments.ports import device
from bench.rig.source_checks import check_sources, one_of
from bench.rig.sources import NEVER, OPERATOR
from fit.errors import RigError

if TYPE_CHECKING:
    from bench.rig.schema import Channel, Rig

RAW_UNITS = ("uV", "mV", "V", "ohm")
WAYS = {
    "thermocouple": ("uV", "mV", "V"),
    "resistance_thermometer": ("ohm",),
    "scale": ("mV", "V", "ohm"),
}
"""What makes a temperature of a number, and of which units."""


def check(rig: Rig, file: str | Path) -> None:
    """Raises RigError for the first contradiction."""
    _check_instruments(rig, file)
    _check_channels(rig, file)
    check_sources(rig, file)
    for node in rig.guard.max_degC:
        if node not in rig.nodes:
            raise RigError(
                file, "guard.max_degC", f"no channel measures node '{node}'", one_of(rig.nodes)
            )


def _check_instruments(rig: Rig, file: str | Path) -> None:
    # Two names of one device, such as its by-id link and what it points at, are one port.
    ports = [device(one.port) for one in rig.instrument]
    names = [one.name for one in rig.instrument]
    for word, meaning in ((OPERATOR, "whoever presses Enter"), (NEVER, "a source left alone")):
        if word in names:
            raise RigError(
                file,
                f"instrument {names.index(word) + 1}",
                f"is named '{word}', which is {meaning}",
                "give it another name",
            )
    for key, values, remedy in (
        ("name", names, "give each instrument its own name"),
        ("port", ports, "one [[instrument]] block a port, with all its fields"),
    ):
        value, count = Counter(values).most_common(1)[0]
        if count > 1:
            numbers = [i for i, one in enumerate(values, 1) if one == value]
            raise RigError(
                file,
                f"instrument {numbers[1]}",
                f"has the same {key} as instrument {numbers[0]}: '{value}'",
                remedy,
            )


def _check_channels(rig: Rig, file: str | Path) -> None:
    instruments = {instrument.name: instrument for instrument in rig.instrument}
    seen: set[str] = set()
    sources: dict[tuple[str, str], str] = {}
    for number, channel in enumerate(rig.channel, 1):
        place = f"channel {number} ('{channel.node}')"
        if channel.node in seen:
            raise RigError(
                file, place, f"node '{channel.node}' has two channels", "one channel a node"
            )
        seen.add(channel.node)
        if channel.instrument not in instruments:
            raise RigError(
                file,
                f"{place}: instrument",
                f"no instrument named '{channel.instrument}'",
                one_of(instruments),
            )
        names = instruments[channel.instrument].field_names()
        if names is not None and channel.field not in names:
            raise RigError(
                file,
                f"{place}: field",
                f"instrument '{channel.instrument}' has no field '{channel.field}'",
                one_of(sorted(names)),
            )
        other = sources.setdefault((channel.instrument, channel.field), channel.node)
        if other != channel.node:
            raise RigError(
                file,
                f"{place}: field",
                f"'{channel.field}' of '{channel.instrument}' is already the reading of '{other}'",
                "one field a node",
            )
        if _is_junction(rig, channel, place, file):
            continue
        _check_unit(channel, place, file)
        _check_thermocouple(rig, channel, place, file)
        if channel.lag_u_s is not None and channel.lag_s is None:
            raise RigError(file, f"{place}: lag_u_s", "means nothing without lag_s", "give both")
    if len(rig.path_nodes) < 1:
        raise RigError(
            file, "channel", "every channel is off_path", "one channel at least on the heat path"
        )


def _is_junction(rig: Rig, channel: Channel, place: str, file: str | Path) -> bool:
    """Whether a channel reads a forward voltage, with all that it needs and no more."""
    keys = ("sense_mA", "points_degC_V", "first_us", "noise_mV")
    own = {key: getattr(channel, key) for key in keys}
    if channel.kind != "forward_voltage":
        for key, value in own.items():
            if value is not None:
                problem, right = "is of a forward voltage", 'kind = "forward_voltage" with it'
                raise RigError(file, f"{place}: {key}", problem, right)
        return False
    if channel.sense_mA is None:
        right = "the constant current that the voltage is read at, such as 5.0"
        raise RigError(file, f"{place}: sense_mA", "is missing", right)
    if channel.unit != "V":
        problem = f"is '{channel.unit}', and a forward voltage is read in volts"
        raise RigError(file, f"{place}: unit", problem, 'unit = "V"')
    if rig.instrument_named(channel.instrument).driver != "window":
        problem = f"'{channel.instrument}' sends no windows"
        raise RigError(file, f"{place}: instrument", problem, 'one with driver = "window"')
    if channel is not rig.junction:
        raise RigError(file, place, "is the second junction", "one forward voltage a run")
    points = channel.points_degC_V
    if points is not None and len({degC for degC, _ in points}) < 2:
        problem, right = "make no slope", "two or more temperatures, such as 25 and 85 degC"
        raise RigError(file, f"{place}: points_degC_V", problem, right)
    for key in ("scale", "offset", "lag_s", "match_u", "off_path", *WAYS, "cold_junction"):
        if key in channel.model_fields_set:
            problem = "means nothing for a forward voltage"
            raise RigError(file, f"{place}: {key}", problem, "leave it out")
    return True


def _check_unit(channel: Channel, place: str, file: str | Path) -> None:
    """What makes a temperature of the number: one way where it is none yet, else none."""
    raw = channel.unit in RAW_UNITS
    ways = [key for key in WAYS if getattr(channel, key) is not None]
    if channel.offset is not None and channel.scale is None:
        raise RigError(file, f"{place}: offset", "means nothing without scale", "give scale too")
    for key in ways:
        if channel.unit not in WAYS[key] and not (key == "thermocouple" and not raw):
            raise RigError(
                file,
                f"{place}: {key}",
                f"means nothing with unit '{channel.unit}'",
                f"unit {one_of(WAYS[key])}",
            )
    if len(ways) > 1:
        problem = f"{' and '.join(ways)} both make a temperature of it"
        raise RigError(file, place, problem, "leave one out")
    if raw and not ways and channel.unit != "uV":
        fitting = [key for key, units in WAYS.items() if channel.unit in units]
        problem = f"a number in {channel.unit} is no temperature yet"
        raise RigError(file, f"{place}: unit", problem, f"give {' or '.join(fitting)}")


def _check_thermocouple(rig: Rig, channel: Channel, place: str, file: str | Path) -> None:
    raw = channel.thermocouple is not None and channel.unit in RAW_UNITS
    raw = raw or channel.unit == "uV" or channel.constant_uV_per_K is not None
    if not raw:
        for key in ("thermocouple", "cold_junction", "cold_junction_degC"):
            if getattr(channel, key) is not None:
                raise RigError(
                    file,
                    f"{place}: {key}",
                    f"means nothing with unit '{channel.unit}'",
                    'leave it out, or unit = "uV", or constant_uV_per_K',
                )
        return
    if channel.thermocouple is None:
        raise RigError(file, f"{place}: thermocouple", "is missing", 'its type, such as "K"')
    if (channel.cold_junction is None) == (channel.cold_junction_degC is None):
        raise RigError(
            file,
            f"{place}: cold_junction",
            "is missing" if channel.cold_junction is None else "is given twice",
            "cold_junction = the node where the wires end, or cold_junction_degC",
        )
    if channel.unit in RAW_UNITS and channel.constant_uV_per_K is not None:
        raise RigError(
            file,
            f"{place}: constant_uV_per_K",
            "is for temperatures from a converter chip",
            f"leave it out for {channel.unit}",
        )
    if channel.cold_junction is None:
        return
    junction = next((one for one in rig.thermometers if one.node == channel.cold_junction), None)
    if junction is None:
        raise RigError(
            file,
            f"{place}: cold_junction",
            f"no channel measures node '{channel.cold_junction}'",
            one_of(rig.nodes),
        )
    if junction.thermocouple is not None:
        raise RigError(
            file,
            f"{place}: cold_junction",
            f"node '{junction.node}' is itself a thermocouple that needs one",
            "a channel in degC, K or degF",
        )
