"""How probable every explanation of a run is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from fit.records.run import Array


class Suspect(Protocol):
    """Something that may be wrong."""

    @property
    def kind(self) -> str:
        """Of the finding."""

    @property
    def where(self) -> str:
        """The stage, span, node or source."""

    @property
    def free(self) -> frozenset[int]:
        """Spans that may truly lie above their limits by it."""

    @property
    def other(self) -> str:
        """The node that this one's thermocouple is taken for, if it is."""

    def moved_K_per_W(self, size: float, predicted_K_per_W: Array) -> Array:
        """By how much the readings of the spans (s,) are off at a size [K/W]."""


@dataclass(frozen=True)
class Suspicion:
    """The probability of one cause and its most likely size."""

    cause: Suspect
    probability: float
    size: float  # relative: of the resistance, of the rise, of the power


@dataclass(frozen=True)
class Posterior:
    """How probable each explanation is; `suspicions` in order of probability."""

    nothing_wrong: float
    unexplained: float
    suspicions: tuple[Suspicion, ...]
