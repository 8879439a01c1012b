"""run.json: what is known of a run beside its readings, typed in this place.

Rig and budget stand in it as their own files had them; `bench.rig.schema` and `fit.budget.read`
know what they mean.
"""

from __future__ import annotations

import json
import sys
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TypeGuard

from fit.errors import RecordError
from fit.records.plain_file import LARGEST_DOCUMENT, read_plain
from fit.toml_file import shown

SCHEMA = "heatrun.run/1"
TIME_OF_IMPORT = "the time of the import"  # where `started` came from when no stamp tells it
LAG_U = 0.3  # of a stated lag without its own: how differently beads are attached. Ours
LONGEST_LAG_S = 1e4  # beyond, it is a slip of units
WITHOUT_IT = "mend it; without run.json the readings can still be fitted"

Table = Mapping[str, object]


@dataclass(frozen=True)
class Origin:
    """The other logger's file that a run was brought in from."""

    file: str
    left_out: tuple[str, ...] = ()
    start_is_known: bool = True  # and not only the time of the import


@dataclass(frozen=True)
class RunMetadata:
    """run.json as read. What it does not say, or says in no form of ours, is empty."""

    id: str = ""
    started: str = ""  # UTC, ISO 8601
    label: str = ""
    unit: str = ""  # serial number
    nodes: tuple[str, ...] = ()
    sensors: Table = field(default_factory=dict)  # node -> what reads it
    rig: Table = field(default_factory=dict)  # rig.toml as read
    budget: Table = field(default_factory=dict)  # budget.toml as read
    power_unit: str = "W"
    software: str = ""  # that logged it
    origin: Origin | None = None
    values: Mapping[str, float] = field(default_factory=dict)  # named numbers, for comparing runs
    words: Mapping[str, str] = field(default_factory=dict)  # what was set in words: a lot, a batch
    match_u: Mapping[str, float] = field(default_factory=dict)
    """Relative standard uncertainty of a node's rise, where the rig or the sensor states it."""
    power_u: float = 0.0  # relative standard uncertainty of the power, 0 where not stated
    lags: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """Time constant of a node's sensor and its standard uncertainty, where stated [s]."""
    vf_points: tuple[tuple[float, float], ...] = ()
    """Stated calibration of the junction's forward voltage: [degC], [V]; none where its own run
    calibrates it."""

    def rig_table(self, name: str) -> Table:
        """A table of rig.toml, such as "sequence", empty where there is none."""
        return _table(self.rig.get(name))

    def rig_blocks(self, name: str) -> tuple[Table, ...]:
        """An array of tables of rig.toml, such as "instrument"."""
        blocks = self.rig.get(name)
        blocks = blocks if isinstance(blocks, list | tuple) else ()
        return tuple(block for block in blocks if isinstance(block, Mapping))


NOT_KNOWN = RunMetadata()
"""Of a bare table of readings."""


def read_metadata(path: Path) -> RunMetadata:
    """Read run.json.

    Raises:
        RecordError: there is none, it is none that heatrun would write, or it states what cannot
            be.
    """
    data = read_plain(path, LARGEST_DOCUMENT)
    try:
        document = json.loads(data)
    except json.JSONDecodeError as error:
        place = f"line {error.lineno} column {error.colno}"
        raise RecordError(path, place, f"is not JSON ({error.msg})", WITHOUT_IT) from error
    except UnicodeDecodeError as error:
        raise RecordError(
            path, f"byte {error.start}", "is not UTF-8 text", "save it as plain UTF-8 text"
        ) from error
    except (ValueError, RecursionError) as error:  # thousands of digits, thousands of brackets
        raise RecordError(
            path, "", "is no run.json that heatrun would write", WITHOUT_IT
        ) from error
    return metadata_from(document, path)


def metadata_from(document: object, path: Path) -> RunMetadata:
    """What a run.json states.

    Args:
        document: the JSON value.
        path: of the file, named in errors.

    Raises:
        RecordError: it is no object, of another schema, or states an accuracy that is no number.

    >>> stated = {"rig": {"power": {"u_relative": 0.01}}}
    >>> metadata_from(stated, Path("run.json")).power_u
    0.01
    """
    if not isinstance(document, Mapping):
        raise RecordError(
            path, "", "is not a JSON object", f'it begins with {{"schema": "{SCHEMA}"'
        )
    schema = document.get("schema", SCHEMA)
    if schema != SCHEMA:
        raise RecordError(path, "schema", f"is {schema!r}", f"this version reads {SCHEMA!r}")
    sensors, rig = _table(document.get("sensors")), _table(document.get("rig"))
    nodes, values = document.get("nodes"), _table(document.get("values"))
    match_u, power_u = _stated_accuracy(path, sensors, rig)
    return RunMetadata(
        id=_one_line(document.get("id")),
        started=_one_line(document.get("started")),
        label=_one_line(document.get("label")),
        unit=_one_line(document.get("unit")),
        nodes=tuple(map(str, nodes)) if isinstance(nodes, list | tuple) else (),
        sensors=sensors,
        rig=rig,
        budget=_table(document.get("budget")),
        power_unit=_one_line(document.get("power_unit")) or "W",
        software=_one_line(document.get("software")),
        origin=_origin(document.get("import")),
        values={str(name): float(value) for name, value in values.items() if _is_number(value)},
        words={str(name): _one_line(one) for name, one in values.items() if isinstance(one, str)},
        match_u=match_u,
        lags=_stated_lags(path, rig),
        vf_points=_stated_points(path, rig),
        power_u=power_u,
    )


def run_document(
    label: str,
    nodes: Sequence[str],
    started: datetime,
    *,
    sensors: Mapping[str, object] | None = None,
    rig: Mapping[str, object] | None = None,
    budget: Mapping[str, object] | None = None,
    power_unit: str = "W",
    **more: object,
) -> dict[str, object]:
    """run.json of a new run.

    Args:
        label: the user's words.
        nodes: names of the thermocouples' nodes, in the order of the columns.
        started: start of the record, with its time zone.
        sensors: node -> what reads it.
        rig: rig.toml as read.
        budget: budget.toml as read.
        power_unit: unit of the power column.
        more: further keys.
    """
    return {
        "schema": SCHEMA,
        "id": uuid.uuid4().hex,
        "started": started.astimezone(UTC).isoformat().replace("+00:00", "Z"),
        "label": label,
        "nodes": list(nodes),
        "sensors": dict(sensors or {}),
        "rig": rig,
        "budget": budget,
        "power_unit": power_unit,
        "software": software(),
        **more,
    }


def software() -> str:
    """Name and version of this program."""
    try:
        return f"heatrun {version('heatrun')}"
    except PackageNotFoundError:
        return "heatrun (not installed)"


def _origin(stated: object) -> Origin | None:
    if not isinstance(stated, Mapping):
        return None
    left_out = stated.get("left_out")
    return Origin(
        file=_one_line(stated.get("file")),
        left_out=tuple(map(str, left_out)) if isinstance(left_out, list) else (),
        start_is_known=stated.get("started_from") != TIME_OF_IMPORT,
    )


def _stated_accuracy(path: Path, sensors: Table, rig: Table) -> tuple[dict[str, float], float]:
    """Relative standard uncertainties: of each node's rise, of the power.

    A channel of the rig comes before the sensor's own entry; what is not stated is left out, or 0.
    """
    stated: dict[str, float] = {}
    for node, sensor in sensors.items():
        if isinstance(sensor, Mapping) and "match_u" in sensor:
            stated[str(node)] = _share(path, f"sensors: {node}: match_u", sensor["match_u"])
    channels = rig.get("channel") or []
    if not isinstance(channels, list) or not all(isinstance(one, Mapping) for one in channels):
        raise RecordError(path, "rig: channel", "is no list of channels", "as in rig.toml")
    for number, channel in enumerate(channels, start=1):
        if "match_u" in channel:
            place = f"rig: channel {number}: match_u"
            stated[str(channel.get("node"))] = _share(path, place, channel["match_u"])
    power = _table(rig.get("power"))
    powers = [("rig: power", power)]
    blocks = rig.get("source")
    for number, block in enumerate(blocks if isinstance(blocks, list) else (), start=1):
        powers.append((f"rig: source {number}", _table(block)))
    # Of several sources the least sure: one number stands for all their meters.
    each = [_share(path, f"{place}: u_relative", one.get("u_relative")) for place, one in powers]
    return stated, max(each)


def _stated_lags(path: Path, rig: Table) -> dict[str, tuple[float, float]]:
    """Time constants of the channels' sensors with their standard uncertainties, where stated."""
    stated: dict[str, tuple[float, float]] = {}
    blocks = rig.get("channel")
    for number, channel in enumerate(blocks if isinstance(blocks, list) else (), start=1):
        lag_s = channel.get("lag_s") if isinstance(channel, Mapping) else None
        if lag_s is None:
            continue
        lag_u_s = channel.get("lag_u_s")
        lag_u_s = LAG_U * lag_s if lag_u_s is None and _is_number(lag_s) else lag_u_s
        for name, value in (("lag_s", lag_s), ("lag_u_s", lag_u_s)):
            if isinstance(value, bool) or not _is_number(value) or not 0 <= value <= LONGEST_LAG_S:
                place = f"rig: channel {number}: {name}"
                right = f"seconds, 0 to {LONGEST_LAG_S:g}"
                raise RecordError(path, place, f"{shown(value)} will not do", right)
        stated[str(channel.get("node"))] = float(lag_s), float(lag_u_s)
    return stated


def _stated_points(path: Path, rig: Table) -> tuple[tuple[float, float], ...]:
    """Temperatures and forward voltages that a channel states for its junction."""
    blocks = rig.get("channel")
    for number, channel in enumerate(blocks if isinstance(blocks, list) else (), start=1):
        points = channel.get("points_degC_V") if isinstance(channel, Mapping) else None
        if points is None:
            continue
        pairs = points if isinstance(points, list) else []
        if len(pairs) < 2 or not all(
            isinstance(pair, list) and len(pair) == 2 and all(map(_is_number, pair))
            for pair in pairs
        ):
            place = f"rig: channel {number}: points_degC_V"
            right = "two or more pairs, such as [[25.0, 0.652], [85.0, 0.531]]"
            raise RecordError(path, place, f"{shown(points)} will not do", right)
        return tuple((float(degC), float(V)) for degC, V in pairs)
    return ()


def _share(path: Path, place: str, value: object) -> float:
    if value is None:
        return 0.0
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1:
        raise RecordError(path, place, f"{shown(value)} will not do", "a number from 0 to under 1")
    return float(value)


def _is_number(value: object) -> TypeGuard[int | float]:
    largest = sys.float_info.max
    return isinstance(value, int | float) and -largest <= value <= largest


def _table(value: object) -> Table:
    return value if isinstance(value, Mapping) else {}


def _one_line(text: object) -> str:
    """Text as one line, without what would move a terminal's cursor."""
    line = " ".join(str(text or "").split())
    return "".join(sign if sign.isprintable() else "?" for sign in line)
