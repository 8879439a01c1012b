"""Keys that every kind of stage has, and their default uncertainties."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints

from fit.budget.uncertain import Uncertain

Array = NDArray[np.float64]
Values = Mapping[str, Array]
"""Drawn values of a stage's numeric keys, each (draws,)."""

NodeName = Annotated[str, StringConstraints(strict=True, pattern=r"^[a-z][a-z0-9_]*$")]
LARGEST = 1e12  # of any number here, its inverse the smallest: anything beyond is a typing error


def _sensible(value: float) -> float:
    if value and not 1 / LARGEST <= abs(value) <= LARGEST:
        raise ValueError(f"between {1 / LARGEST:g} and {LARGEST:g}")
    return value


def _one_line(text: str) -> str:
    if not text.isprintable():
        raise ValueError("one line of plain text")
    return text


Sensible = AfterValidator(_sensible)
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False, strict=True), Sensible]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False, strict=True), Sensible]
Fraction = Annotated[float, Field(gt=0, le=1, allow_inf_nan=False, strict=True), Sensible]
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False, strict=True)]
Whole = Annotated[int, Field(ge=1, le=1_000_000, strict=True)]


class Block(BaseModel):
    """A table of budget.toml: frozen, and unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


class StageKeys(Block):
    """Keys of every stage; each kind adds its own, and its formula for the resistance.

    `default_u` gives, for keys whose uncertainty the user leaves out, the relative standard
    uncertainty that is assumed; its source stands beside it. `bounded` names keys that cannot
    exceed 1, `tables` the keys that hold a table of their own, `u_names` the key that
    states an uncertainty where it is not the number's own with `_u`. `is_contact` is what
    `contact` means when it is left out: whether a high reading here is a poor contact. `steps` are
    the keys that a designer chooses, each with the step in which it is usually changed. `usual`
    says between what values a number is built, so that a slip of the unit is seen. `material`
    names what it is made of, whose properties are the same wherever it is used; `shared` says of
    keys what share of their variance belongs to the process, the rest being each unit's own.
    """

    name: Annotated[str, StringConstraints(strict=True, min_length=1), AfterValidator(_one_line)]
    from_node: NodeName = Field(alias="from")
    to_node: NodeName = Field(alias="to")
    kind: str
    contact: Annotated[bool, Field(strict=True)] | None = None  # what the kind is, when None
    limit_K_per_W: Positive | None = None
    C_J_per_K: NotNegative | None = None
    material: Annotated[str, StringConstraints(strict=True, min_length=1)] | None = None
    shared: dict[str, Share] | None = None

    default_u: ClassVar[Mapping[str, float]] = {}
    bounded: ClassVar[frozenset[str]] = frozenset()
    is_contact: ClassVar[bool] = False
    tables: ClassVar[Mapping[str, type[Block]]] = {}
    u_names: ClassVar[Mapping[str, str]] = {}
    steps: ClassVar[Mapping[str, float]] = {}
    usual: ClassVar[Mapping[str, tuple[float, float]]] = {}

    def free(self) -> dict[str, tuple[float, float]]:
        """What a designer may choose here: value and step by key, in the unit the key ends with."""
        left_out = self.unused()
        return {
            key: (value, type(self).steps[key])
            for key, value in numbers(self).items()
            if key in type(self).steps and key not in left_out
        }

    def changed(self, key: str, value: float) -> Self:
        """The same stage with one of its free inputs changed.

        Args:
            key: of `free`.
            value: in the unit the key ends with.

        Returns:
            The stage.

        Raises:
            ValueError: there is no such stage.
        """
        whole = type(self).model_fields[key].annotation is int
        stated = self.model_dump() | {key: round(value) if whole else value}
        found = type(self).model_validate(stated)
        if problem := found.problem():
            raise ValueError(problem)
        return found

    def unused(self) -> frozenset[str]:
        """Numeric keys that play no part in this stage as it is stated."""
        return frozenset()

    def problem(self) -> str | None:
        """Contradiction between the keys, in one sentence, or None."""
        return None

    def unusual(self) -> list[str]:
        """Numbers that nobody builds: the unit may be another one. One sentence each."""
        values = numbers(self)
        return [
            f"{key} = {values[key]:g} is outside what is built ({low:g} to {high:g}): right unit?"
            for key, (low, high) in type(self).usual.items()
            if key in values and not low <= values[key] <= high
        ]

    def remark(self, rise_K: float) -> str | None:
        """Where the stage is outside the range its formula holds for.

        Args:
            rise_K: predicted rise of the stage's from node above ambient [K].

        Returns:
            One sentence, or None.
        """
        return None

    def resistance(self, values: Values) -> Array:
        """Thermal resistance from drawn values of the keys.

        Args:
            values: of each numeric key, by name (draws,), in the unit its name ends with.

        Returns:
            Resistance (draws,) [K/W].

        Raises:
            NotImplementedError: for a kind whose resistance depends on the heat through it.
        """
        raise NotImplementedError(self.kind)

    def parts_u(self) -> dict[str, Uncertain]:
        """Uncertainty of a factor that follows from parts (screws, faces) stated as unsure."""
        return {}

    def capacity_J_per_K(self) -> float | None:
        """Heat capacity of the `from` node [J/K]: stated, or from geometry, or None."""
        return self.C_J_per_K


class Solid(StageKeys):
    """A stage that is a body of one material: heat capacity = density x specific heat x volume.

    It counts at the stage's from node, unless `C_J_per_K` is stated.
    """

    density_kg_per_m3: Positive | None = None
    specific_heat_J_per_kgK: Positive | None = None

    def volume_mm3(self) -> float | None:
        """Volume [mm3], None where the keys do not give it."""
        raise NotImplementedError(self.kind)

    def problem(self) -> str | None:
        if (self.density_kg_per_m3 is None) != (self.specific_heat_J_per_kgK is None):
            return "density_kg_per_m3 and specific_heat_J_per_kgK go together"
        if self.density_kg_per_m3 is not None and self.volume_mm3() is None:
            return "density_kg_per_m3 needs thickness_mm beside it"
        return None

    def capacity_J_per_K(self) -> float | None:
        volume = self.volume_mm3()
        density, specific_heat = self.density_kg_per_m3, self.specific_heat_J_per_kgK
        if self.C_J_per_K is not None or None in (volume, density, specific_heat):
            return self.C_J_per_K
        return (volume or 0.0) * 1e-9 * (density or 0.0) * (specific_heat or 0.0)


def numbers(keys: StageKeys) -> dict[str, float]:
    """The numeric keys of a stage that are set and can be uncertain.

    Args:
        keys: of the stage.

    Returns:
        Their values by name, in the unit the name ends with.
    """
    common = set(StageKeys.model_fields)
    return {
        name: float(value)
        for name, value in keys
        if name not in common and isinstance(value, int | float) and not isinstance(value, bool)
    }


def number_names(model: type[StageKeys]) -> set[str]:
    """Names of the keys of a kind that are numbers, and may have `_u` beside them.

    Args:
        model: the kind.

    Returns:
        The names.
    """
    common = set(StageKeys.model_fields)
    names = set()
    for name, field in model.model_fields.items():
        kinds: Any = str(field.annotation)
        if name not in common and ("float" in kinds or "int" in kinds) and "tuple" not in kinds:
            names.add(name)
    return names
