"""What every kind of stage has in common: its keys, and how sure each number is."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, ClassVar

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from fit.budget.model import Uncertain

Array = NDArray[np.float64]
Values = Mapping[str, Array]
"""Drawn values of a stage's numeric keys, each (draws,)."""

NodeName = Annotated[str, StringConstraints(strict=True, pattern=r"^[a-z][a-z0-9_]*$")]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False, strict=True)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False, strict=True)]
Fraction = Annotated[float, Field(gt=0, le=1, allow_inf_nan=False, strict=True)]
Whole = Annotated[int, Field(ge=1, strict=True)]


class Block(BaseModel):
    """A table of budget.toml: frozen, and unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


class StageKeys(Block):
    """Keys of every stage; each kind adds its own and says what resistance they make.

    `default_u` gives, for keys whose uncertainty the user leaves out, the relative standard
    uncertainty that is assumed; its source stands beside it. `bounded` names keys that cannot
    exceed 1.
    """

    name: Annotated[str, StringConstraints(strict=True, min_length=1)]
    from_node: NodeName = Field(alias="from")
    to_node: NodeName = Field(alias="to")
    kind: str
    contact: bool = False
    limit_K_per_W: Positive | None = None
    C_J_per_K: NotNegative | None = None

    default_u: ClassVar[Mapping[str, float]] = {}
    bounded: ClassVar[frozenset[str]] = frozenset()
    is_contact: ClassVar[bool] = False

    def unused(self) -> frozenset[str]:
        """Numeric keys that play no part in this stage as it is stated."""
        return frozenset()

    def problem(self) -> str | None:
        """What contradicts itself in this stage, in one sentence, or None."""
        return None

    def resistance(self, values: Values) -> Array:
        """Thermal resistance (draws,) [K/W] from drawn values of the keys.

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


def numbers(keys: StageKeys) -> dict[str, float]:
    """The numeric keys of a stage that are set and can be uncertain, by name."""
    common = set(StageKeys.model_fields)
    return {
        name: float(value)
        for name, value in keys
        if name not in common and isinstance(value, int | float) and not isinstance(value, bool)
    }


def number_names(model: type[StageKeys]) -> set[str]:
    """Names of the keys of a kind that are numbers, and may have `_u` beside them."""
    common = set(StageKeys.model_fields)
    names = set()
    for name, field in model.model_fields.items():
        kinds: Any = str(field.annotation)
        if name not in common and ("float" in kinds or "int" in kinds) and "tuple" not in kinds:
            names.add(name)
    return names
