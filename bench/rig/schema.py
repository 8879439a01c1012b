"""rig.toml: which instruments there are, what each channel means, and how the heat run goes."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, SerializeAsAny, ValidationError

from bench.instruments import DRIVERS, off_steps, settings_class
from bench.instruments.settings import (
    Block,
    InstrumentSettings,
    Name,
    Number,
    Positive,
    Scale,
    Text,
)
from bench.instruments.visa import is_resource
from bench.rig.checks import check, one_of
from bench.rig.quantities import (
    LONGEST_NODE_NAME,
    NODE_NAME_REMEDY,
    ColdDegC,
    Heating,
    Interval,
    Lag,
    LimitDegC,
    NodeName,
    RateKPerMin,
    Seconds,
    Share,
    Silence,
    Slope,
    Watts,
)
from bench.rig.sources import (
    Heat,
    PhasePlan,
    Power,
    PowerSource,
    Source,
    as_power_sources,
    heating,
)
from fit.errors import RigError
from fit.records.plain_file import read_tables
from fit.toml_file import FIRST_LINE, REMEDIES, first_error, nearest, shown


class Channel(Block):
    """One thermocouple (or other sensor): which node it sits on and what its number means.

    A number in mV, V or ohm becomes a temperature by the sensor's own function (`thermocouple`,
    `resistance_thermometer`), or degC = scale x number + offset.
    """

    node: NodeName
    instrument: Name
    field: Text
    kind: Literal["temperature", "forward_voltage"] = "temperature"
    sense_mA: Positive | None = None  # constant current through a junction, of forward_voltage
    points_degC_V: tuple[tuple[Number, Number], ...] | None = None  # its stated calibration
    first_us: Positive | None = None  # a window's first reading, since the interruption; for a plan
    noise_mV: Positive | None = None  # of one reading, standard deviation; for a plan
    unit: Literal["degC", "K", "degF", "uV", "mV", "V", "ohm"] = "degC"
    thermocouple: Literal["B", "E", "J", "K", "N", "R", "S", "T"] | None = None
    cold_junction: NodeName | None = None  # the node at which the wires end
    cold_junction_degC: ColdDegC | None = None  # or its temperature, where it is held [degC]
    resistance_thermometer: Literal["PT100", "PT1000"] | None = None
    scale: Scale | None = None  # degC a mV, V or ohm
    offset: Number | None = None  # [degC]
    constant_uV_per_K: Slope | None = None  # slope a converter chip assumes [uV/K]
    match_u: Share = 0.0  # relative standard uncertainty of this channel's rise
    lag_s: Lag | None = None  # time constant of the sensor itself, where it is known [s]
    lag_u_s: Lag | None = None  # its standard uncertainty [s]
    off_path: bool = False  # logged, guarded and drawn; no node of the heat path


class Sequence(Block):
    """Soak, heat, cool: all durations in seconds."""

    interval_s: Interval = 1.0
    soak_s: Seconds = 120.0
    heat_s: Heating = 7200.0
    heat_until: Literal["settled", "decided", "time"] = "settled"
    cool_s: Seconds = 0.0
    phases: tuple[PhasePlan, ...] = ()  # of the heating, with several sources
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
    power: Power | None = None
    source: tuple[Source, ...] = ()
    sequence: Sequence = Sequence()
    guard: Guard = Guard()

    @property
    def thermometers(self) -> tuple[Channel, ...]:
        """The channels that give a temperature each scan."""
        return tuple(channel for channel in self.channel if channel.kind == "temperature")

    @property
    def junction(self) -> Channel | None:
        """The channel that reads a junction's forward voltage, if there is one."""
        return next((one for one in self.channel if one.kind == "forward_voltage"), None)

    @property
    def nodes(self) -> tuple[str, ...]:
        """Nodes measured each scan, in the order of the channels."""
        return tuple(channel.node for channel in self.thermometers)

    @property
    def path_nodes(self) -> tuple[str, ...]:
        """Those of the heat path, in the order of the channels."""
        return tuple(channel.node for channel in self.thermometers if not channel.off_path)

    def instrument_named(self, name: str) -> InstrumentSettings:
        """The instrument of that name. Raises KeyError."""
        return {instrument.name: instrument for instrument in self.instrument}[name]

    @cached_property
    def sources(self) -> tuple[PowerSource, ...]:
        """Where its power comes from: of [power], or of each [[source]]."""
        return as_power_sources(self.power, self.source)

    @cached_property
    def heat(self) -> Heat:
        """The phases of its heating."""
        return heating(self.sources, self.sequence.phases, self.sequence.heat_s)

    @property
    def heats_in_phases(self) -> bool:
        """Phases go by their time: nothing that one source settles at says that all is known."""
        return len(self.sources) > 1 or bool(self.sequence.phases)

    def switching(self, source: PowerSource) -> InstrumentSettings | None:
        """The instrument that switches a source; None where the operator does, or nobody."""
        names = {one.name: one for one in self.instrument}
        return names.get(source.switch)

    def document(self) -> dict[str, Any]:
        """The rig as plain values with the keys of rig.toml, for run.json."""
        document = self.model_dump(mode="json", by_alias=True, exclude_none=True)
        if not self.source:
            del document["source"]
        if not self.sequence.phases:
            del document["sequence"]["phases"]
        return document


def read_rig(path: str | Path) -> Rig:
    """Read and check rig.toml.

    Raises:
        RigError: with file, place, what is wrong and what would be right, on one line.
    """
    remedy = "'heatrun new DIR' writes one to start from"
    return rig_from(read_tables(Path(path), RigError, remedy), path)


def rig_from(tables: dict[str, Any], file: str | Path) -> Rig:
    """A rig from the tables of a TOML document; `file` is named in errors. Raises RigError."""
    tables = dict(tables)
    tables["instrument"] = _instruments(tables.get("instrument"), file)
    try:
        rig = Rig.model_validate(tables)
    except ValidationError as error:
        raise _as_rig_error(error, file, "", Rig, tables) from None
    check(rig, file)
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
        raise RigError(file, f"{place}: driver", problem, one_of(DRIVERS))
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


def _as_rig_error(
    error: ValidationError, file: str | Path, place: str, model: type[Block], given: Any
) -> RigError:
    """The first thing pydantic complains of, in our words."""
    first = first_error(error)
    place = ": ".join(part for part in (place, _where(first["loc"], given)) if part)
    if first["type"] == "missing":
        remedy = FIRST_LINE if place == "schema" else "every rig needs it"
        return RigError(file, place, "is missing", remedy)
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
            key = "node" if isinstance(block, dict) and "node" in block else "name"
            parts[-1] = _place(parts[-1], step + 1, block, key)
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
        "source": Source,
        "phases": PhasePlan,
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
