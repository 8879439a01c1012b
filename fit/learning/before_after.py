"""Every input of a unit not yet built, before the runs and after."""

from __future__ import annotations

from dataclasses import dataclass

from fit.budget.inputs import Input
from fit.budget.learned import Learned


@dataclass(frozen=True)
class BeforeAfter:
    """One input of the next unit, in the unit its key ends with."""

    input: Input
    value: float  # as stated
    u: float
    value_after: float
    u_after: float

    @property
    def left(self) -> float:
        """Share of the relative uncertainty that is left."""
        return (self.u_after / self.value_after) / (self.u / self.value)


def before_and_after(learned: Learned) -> tuple[BeforeAfter, ...]:
    """Every input of the next unit, in the order of what was learnt.

    Args:
        learned: from runs.
    """
    return tuple(
        BeforeAfter(
            one, one.number.value, one.number.u, one.number.value * factor, one.number.value * u
        )
        for one, (factor, u) in zip(learned.inputs, learned.unit_moments.tolist(), strict=True)
    )


def most_taught_first(changes: tuple[BeforeAfter, ...]) -> tuple[BeforeAfter, ...]:
    """The same, those of which least doubt is left first."""
    return tuple(sorted(changes, key=lambda change: change.left))
