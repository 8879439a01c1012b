"""rig.toml: which instruments there are, what each channel means, and how the heat run goes."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, SerializeAsAny, Strict, StringConstraints, ValidationError

from bench.instruments import DRIVERS, off_steps, settings_class
from bench.instruments.ports import device
from bench.instruments.settings import (
    Block,
    InstrumentSettings,
    Name,
    Positive,
    Text,
)
from bench.instruments.visa import is_resource
from fit.errors import RigError
from fit.records.plain_file import LARGEST_DOCUMENT, read_plain
from fit.toml_file import REMEDIES, first_error, nearest, read_tables, shown

NODE_NAME_REMEDY = "lower-case letters, digits and underscores, a letter first"
LONGEST_NODE_NAME = 40
NodeName = Annotated[
    str,
    StringConstraints(strict=True, pattern=r"^[a-z][a-z0-9_]*$", max_length=LONGEST_NODE_NAME),
]
# A limit nothing reaches guards nothing, and a slipped exponent shall not pass for a wish.
RateKPerMin = Annotated[float, Strict(), Field(gt=0, le=1e4)]
ColdDegC = Annotated[float, Strict(), Field(ge=-100, le=200)]
Slope = Annotated[float, Strict(), Field(ge=1, le=100)]  # B to E, of any range
LimitDegC = Annotated[float, Strict(), Field(ge=-100, le=1000)]
Share = Annotated[float, Strict(), Field(ge=0, lt=1)]
Watts = Annotated[float, Strict(), Field(gt=0, le=1e5)]
Seconds = Annotated[float, Strict(), Field(ge=0, le=30 * 86400)]
Heating = Annotated[float, Strict(), Field(gt=0, le=30 * 86400)]
Interval = Annotated[float, Strict(), Field(ge=0.001, le=3600)]
Silence = Annotated[float, Strict(), Field(gt=0, le=3600)]
OPERATOR = "operator"
POWER_FIELDS = ("power_W", "supply_V", "supply_A")


class Channel(Block):
    """One thermocouple (or other sensor): which node it sits on and what its number means."""

    node: NodeName
    instrument: Name
    field: Text
    unit: Literal["degC", "K", "degF", "uV"] = "degC"
    thermocouple: Literal["B", "E", "J", "K", "N", "R", "S", "T"] | None = None
    cold_junction: NodeName | None = None  # the node at which the wires end
    cold_junction_degC: ColdDegC | None = None  # or its temperature, where it is held [degC]
    constant_uV_per_K: Slope | None = None  # slope a converter chip assumes [uV/K]
    match_u: Share = 0.0  # relative standard uncertainty of this channel's rise


class Power(Block):
    """Where the power figure comes from and who switches it."""

    source: Literal["measured", "stated"] = "measured"
    power_W: Watts | None = None
    switch: Name = OPERATOR
    u_relative: Share = 0.0  # relative standard uncertainty of the recorded power


class Sequence(Block):
    """Soak, heat, cool: all durations in seconds."""

    interval_s: Interval = 1.0
    soak_s: Seconds = 120.0
    heat_s: Heating = 7200.0
    heat_until: Literal["settled", "decided", "time"] = "settled"
    cool_s: Seconds = 0.0
    isothermal_K: Positive = 3.0  # before the soak all channels agree within this [K]


class Guard(Block):
    """Limits that end the run with the power off."""

    max_degC: dict[NodeName, LimitDegC] = Field(default_factory=dict)
    max_K_per_min: RateKPerMin | None = None  # rate of rise, any node
    max_power_W: Watts | None = None
    silence_s: Silence = 10.0  # no reading for so long
    blind_s: Silence = 120.0  # a sensor may repeat itself for so long while its neighbours move


class Rig(Block):
    """One test bench. Attribute names are the keys of rig.toml."""

    schema_: Literal[1] = Field(alias="schema")
    title: str = ""
    instrument: tuple[SerializeAsAny[InstrumentSettings], ...] = Field(min_length=1)
    channel: tuple[Channel, ...] = Field(min_length=1)
    power: Power
    sequence: Sequence = Sequence()
    guard: Guard = Guard()

    @property
    def nodes(self) -> tuple[str, ...]:
        """Measured nodes in the order of the channels."""
        return tuple(channel.node for channel in self.channel)

    def instrument_named(self, name: str) -> InstrumentSettings:
        """The instrument of that name. Raises KeyError."""
        return {instrument.name: instrument for instrument in self.instrument}[name]

    @property
    def switching(self) -> InstrumentSettings | None:
        """The instrument that switches the power, or None when the operator does."""
        return None if self.power.switch == OPERATOR else self.instrument_named(self.power.switch)

    def document(self) -> dict[str, Any]:
        """The rig as plain values with the keys of rig.toml, for run.json."""
        return self.model_dump(mode="json", by_alias=True, exclude_none=True)


def read_rig(path: str | Path) -> Rig:
    """Read and check rig.toml.

    Raises:
        RigError: with file, place, what is wrong and what would be right, on one line.
    """
    remedy = "'heatrun new DIR' writes one to start from"
    read_plain(Path(path), LARGEST_DOCUMENT, error=RigError, missing=remedy)
    return rig_from(read_tables(Path(path), RigError, remedy), path)


def rig_from(tables: dict[str, Any], file: str | Path) -> Rig:
    """A rig from the tables of a TOML document; `file` is named in errors. Raises RigError."""
    tables = dict(tables)
    tables["instrument"] = _instruments(tables.get("instrument"), file)
    try:
        rig = Rig.model_validate(tables)
    except ValidationError as error:
        raise _as_rig_error(error, file, "", Rig, tables) from None
    _check_instruments(rig, file)
    _check_channels(rig, file)
    _check_power(rig, file)
    for node in rig.guard.max_degC:
        if node not in rig.nodes:
            raise RigError(
                file, "guard.max_degC", f"no channel measures node '{node}'", _one_of(rig.nodes)
            )
    return rig


def _instruments(blocks: Any, file: str | Path) -> tuple[InstrumentSettings, ...]:
    """Each [[instrument]] block through the model of its own driver."""
    if not isinstance(blocks, list) or not blocks:
        problem = f"{shown(blocks)} will not do" if blocks else "is missing"
        raise RigError(file, "instrument", problem, "at least one [[instrument]] block")
    return tuple(_instrument(number, block, file) for number, block in enumerate(blocks, 1))


def _instrument(number: int, block: Any, file: str | Path) -> InstrumentSettings:
    place = _place("instrument", number, block, "name")
    if not isinstance(block, dict):
        raise RigError(file, place, "is not a table", "write it as an [[instrument]] block")
    driver = block.get("driver")
    if not isinstance(driver, str) or driver not in DRIVERS:
        problem = "is missing" if driver is None else f"unknown driver {shown(driver)}"
        raise RigError(file, f"{place}: driver", problem, _one_of(DRIVERS))
    model = settings_class(driver)
    switch = block.get("switch")
    if isinstance(switch, dict) and not switch.get("off"):
        raise RigError(
            file,
            f"{place}: switch",
            "has no off commands",
            'give off = ["…"]: nothing is switched on that cannot be switched off',
        )
    try:
        settings = model.model_validate(block)
    except ValidationError as error:
        raise _as_rig_error(error, file, place, model, block) from None
    if driver != "scpi" and is_resource(settings.port):
        problem = f"{shown(settings.port)} will not do for {driver}"
        raise RigError(file, f"{place}: port", problem, "a VISA resource is for scpi instruments")
    if contradiction := settings.problem():
        raise RigError(file, place, contradiction)
    if settings.switch is not None and _same(settings.switch.off[-1], settings.switch.on[-1]):
        raise RigError(
            file,
            f"{place}: switch: off",
            f"ends with {shown(settings.switch.off[-1])}, as on does",
            "the last command of off switches the power off",
        )
    if settings.switch is not None and not off_steps(settings):
        raise RigError(
            file,
            f"{place}: driver",
            f"{shown(driver)} does not say how the watchdog switches it off",
            "its Instrument needs off_steps(settings): nothing is switched on without",
        )
    return settings


def _same(one: str, other: str) -> bool:
    """Whether two commands are one but for spaces and capitals."""
    return one.casefold().split() == other.casefold().split()


def _check_instruments(rig: Rig, file: str | Path) -> None:
    # Two names of one device, such as its by-id link and what it points at, are one port.
    ports = [device(one.port) for one in rig.instrument]
    names = [one.name for one in rig.instrument]
    if OPERATOR in names:
        raise RigError(
            file,
            f"instrument {names.index(OPERATOR) + 1}",
            f"is named '{OPERATOR}', which is whoever presses Enter",
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
                _one_of(instruments),
            )
        names = instruments[channel.instrument].field_names()
        if names is not None and channel.field not in names:
            raise RigError(
                file,
                f"{place}: field",
                f"instrument '{channel.instrument}' has no field '{channel.field}'",
                _one_of(sorted(names)),
            )
        other = sources.setdefault((channel.instrument, channel.field), channel.node)
        if other != channel.node:
            raise RigError(
                file,
                f"{place}: field",
                f"'{channel.field}' of '{channel.instrument}' is already the reading of '{other}'",
                "one field a node",
            )
        _check_thermocouple(rig, channel, place, file)


def _check_thermocouple(rig: Rig, channel: Channel, place: str, file: str | Path) -> None:
    raw = channel.unit == "uV" or channel.constant_uV_per_K is not None
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
    if channel.unit == "uV" and channel.constant_uV_per_K is not None:
        raise RigError(
            file,
            f"{place}: constant_uV_per_K",
            "is for temperatures from a converter chip",
            "leave it out for uV",
        )
    if channel.cold_junction is None:
        return
    junction = next((one for one in rig.channel if one.node == channel.cold_junction), None)
    if junction is None:
        raise RigError(
            file,
            f"{place}: cold_junction",
            f"no channel measures node '{channel.cold_junction}'",
            _one_of(rig.nodes),
        )
    if junction.unit == "uV" or junction.constant_uV_per_K is not None:
        raise RigError(
            file,
            f"{place}: cold_junction",
            f"node '{junction.node}' is itself a thermocouple that needs one",
            "a channel in degC, K or degF",
        )


def _check_power(rig: Rig, file: str | Path) -> None:
    power = rig.power
    for field in POWER_FIELDS:
        givers = [one.name for one in rig.instrument if field in (one.field_names() or ())]
        if len(givers) > 1:
            raise RigError(
                file,
                "instrument",
                f"'{givers[0]}' and '{givers[1]}' both give {field}",
                "name one of them otherwise: the power is of one instrument",
            )
    if power.source == "stated" and power.power_W is None:
        raise RigError(file, "power", 'source = "stated" without power_W', "power_W = 4.2, say")
    if power.source == "measured":
        known = [instrument.field_names() for instrument in rig.instrument]
        names = frozenset().union(*(fields or () for fields in known))
        if None not in known and not ({"supply_V", "supply_A"} <= names or "power_W" in names):
            raise RigError(
                file,
                "power",
                'source = "measured", but no instrument gives supply_V and supply_A, or power_W',
                'give the supply [instrument.queries], or source = "stated"',
            )
    if power.switch == OPERATOR:
        return
    named = next((one for one in rig.instrument if one.name == power.switch), None)
    if named is None:
        names_ = [one.name for one in rig.instrument]
        raise RigError(
            file,
            "power.switch",
            f"no instrument named '{power.switch}'",
            _one_of([*names_, OPERATOR]),
        )
    if named.switch is None:
        raise RigError(
            file,
            "power.switch",
            f"instrument '{named.name}' has no [instrument.switch]",
            f'give it on and off commands, or switch = "{OPERATOR}"',
        )


def _as_rig_error(
    error: ValidationError, file: str | Path, place: str, model: type[Block], given: Any
) -> RigError:
    """The first thing pydantic complains of, in our words."""
    first = first_error(error)
    place = ": ".join(part for part in (place, _where(first["loc"], given)) if part)
    if first["type"] == "missing":
        return RigError(file, place, "is missing", "every rig needs it")
    if first["type"] == "extra_forbidden":
        keys = _keys_at(model, first["loc"][:-1])
        return RigError(file, place, "unknown key", nearest(str(first["loc"][-1]), keys))
    if first["type"] == "string_pattern_mismatch":
        wanted = NODE_NAME_REMEDY
    else:
        wanted = REMEDIES.get(first["type"], first["msg"].removeprefix("Value error, "))
    problem = f"{shown(first['input'])} will not do"
    if first["type"] == "value_error" and isinstance(first["input"], dict | list | tuple):
        problem, _, wanted = wanted.partition("; ")
        return RigError(file, place, problem, wanted)
    return RigError(file, place, problem, wanted[0].lower() + wanted[1:])


def _where(location: tuple[int | str, ...], given: Any) -> str:
    """`("channel", 2, "unit")` as `channel 3 ('bar'): unit`."""
    parts: list[str] = []
    for step in location:
        if isinstance(step, int) and parts:
            blocks = given.get(location[0]) if isinstance(given, dict) else None
            block = blocks[step] if isinstance(blocks, list) and step < len(blocks) else None
            parts[-1] = _place(parts[-1], step + 1, block, "node")
        elif step != "[key]":
            parts.append(str(step))
    return ": ".join(parts)


def _place(table: str, number: int, block: Any, key: str) -> str:
    name = block.get(key) if isinstance(block, dict) else None
    return (
        f"{table} {number} ('{name[:LONGEST_NODE_NAME]}')"
        if isinstance(name, str)
        else f"{table} {number}"
    )


def _keys_at(model: type[Block], location: tuple[int | str, ...]) -> list[str]:
    """Keys the model takes at a place inside it."""
    nested: dict[str, type[Block]] = {
        "channel": Channel,
        "power": Power,
        "sequence": Sequence,
        "guard": Guard,
    }
    for step in location:
        annotation = nested.get(str(step)) or _block_in(model, str(step))
        model = annotation or model
    return [field.alias or name for name, field in model.model_fields.items()]


def _block_in(model: type[Block], key: str) -> type[Block] | None:
    """The nested model under a key, if it is one."""
    field = model.model_fields.get(key)
    candidates = getattr(field.annotation, "__args__", (field.annotation,)) if field else ()
    return next(
        (one for one in candidates if isinstance(one, type) and issubclass(one, Block)), None
    )


def _one_of(names: Any) -> str:
    return "one of " + ", ".join(map(str, names))
