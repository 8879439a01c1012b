"""How hot a surface may be to touch: an editable table with its provenance.

The table that comes with heatrun was written from memory and says so. It is no substitute for the
edition in force: until somebody has held it against that and said so, it decides nothing.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationError,
)

from fit.errors import InputError
from fit.records.plain_file import read_tables
from fit.toml_file import first_complaint

MATERIALS = ("metal", "glass", "plastic")
SHIPPED = "touch_limits.toml"

_Text = Annotated[str, StringConstraints(strict=True, min_length=1)]
_Temperature = Annotated[float, Field(strict=True, gt=0, lt=300, allow_inf_nan=False)]


@dataclass(frozen=True)
class TouchLimit:
    """The highest surface temperature for one kind of contact, per material."""

    standard: str
    contact: str
    duration_s: float  # longest contact it covers, inf for lasting [s]
    limit_degC: Mapping[str, float]  # metal | glass | plastic -> [degC]


@dataclass(frozen=True)
class TouchTable:
    """All limits, and where they come from."""

    source: str  # the file
    confirmed: str  # the edition it was held against, and by whom; empty: by nobody
    ambient_degC: float  # at which touch is judged
    limits: tuple[TouchLimit, ...]

    @property
    def decides(self) -> bool:
        """Somebody vouches for the values; else they are shown as guidance alone."""
        return bool(self.confirmed)

    def of(self, material: str) -> tuple[tuple[TouchLimit, float], ...]:
        """Limits that the table has for a material.

        Args:
            material: metal, glass or plastic.

        Returns:
            Each limit with its temperature [degC].

        >>> shipped = read_touch_limits()
        >>> max(limit_degC for limit, limit_degC in shipped.of("metal"))  # under 1 s, IEC 62368-1
        70.0
        """
        return tuple(
            (limit, limit.limit_degC[material])
            for limit in self.limits
            if material in limit.limit_degC
        )


def _edition(confirmed: str) -> str:
    text = confirmed.strip()
    if text and "edition" not in text.lower():
        raise ValueError('the edition it was held against, such as "edition 4 (2023), by A. N."')
    return text


class _Block(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _Limit(_Block):
    standard: _Text
    contact: _Text
    duration_s: Annotated[float, Field(gt=0)]
    metal_degC: _Temperature | None = None
    glass_degC: _Temperature | None = None
    plastic_degC: _Temperature | None = None


class _Table(_Block):
    schema_: Literal[1] = Field(alias="schema")
    confirmed: Annotated[str, Field(strict=True), AfterValidator(_edition)] = ""
    ambient_degC: Annotated[float, Field(strict=True, gt=-90, lt=90)] = 25.0
    limit: Annotated[tuple[_Limit, ...], Field(min_length=1)]


KEYS = ("schema", *sorted({*_Table.model_fields, *_Limit.model_fields} - {"schema_"}))


def read_touch_limits(path: Path | None = None) -> TouchTable:
    """Read a table of touch limits.

    Args:
        path: a TOML file of the user's; the table that comes with heatrun when None.

    Returns:
        The table.

    Raises:
        InputError: the file cannot be used; the message names file, place and remedy.
    """
    name = str(path) if path else SHIPPED
    if path is None:
        tables = tomllib.loads((files("heatrun_data") / SHIPPED).read_text(encoding="utf-8"))
    else:
        tables = read_tables(path, InputError, "name a table of touch limits")
    try:
        table = _Table.model_validate(tables)
    except ValidationError as error:
        place, problem, remedy = first_complaint(error, KEYS, f"as in heatrun's own {SHIPPED}")
        raise InputError(name, place, problem, remedy) from None
    return TouchTable(
        source=name,
        confirmed=table.confirmed,
        ambient_degC=table.ambient_degC,
        limits=tuple(_limit(limit) for limit in table.limit),
    )


def _limit(limit: _Limit) -> TouchLimit:
    values = {material: getattr(limit, f"{material}_degC") for material in MATERIALS}
    stated = {material: value for material, value in values.items() if value is not None}
    return TouchLimit(limit.standard, limit.contact, limit.duration_s, stated)
