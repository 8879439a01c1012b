"""A number of a budget with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Uncertain:
    """A number with its uncertainty."""

    value: float
    u: float  # standard uncertainty, in the unit of the value
    shape: Literal["lognormal", "rectangular"] = "lognormal"
    default: bool = False  # the user stated no uncertainty: the kind's own default
