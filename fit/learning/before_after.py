"""Every input of a unit not yet built, before the runs and after."""

from __future__ import annotations

from dataclasses import dataclass

from fit.budget.inputs import Input
from fit.budget.learned import Learned
from fit.learning.learn import Taught


@dataclass(frozen=True)
class BeforeAfter:
    """One input of the next unit, in the unit its key ends with."""

    input: Input
    value: float  # as stated
    u: float
    value_after: float
    u_after: float
    earlier: tuple[float, float] | None = None  # as runs before had left it, and its u

    @property
    def left(self) -> float:
        """Share of the relative uncertainty that is left."""
        return (self.u_after / self.value_after) / (self.u / self.value)


def before_and_after(taught: Taught) -> tuple[BeforeAfter, ...]:
    """Every input of the next unit, in the order of what was learnt.

    Args:
        taught: by runs.

    Returns:
        The budget's inputs, then what is known of other products.
    """
    after = _next_unit(taught.learned)
    earlier = [None] * len(after) if taught.earlier is None else _next_unit(taught.prior.known)
    return tuple(
        BeforeAfter(one, one.number.value, one.number.u, *now, earlier=then)
        for one, now, then in zip(taught.learned.inputs, after, earlier, strict=True)
    )


def _next_unit(learned: Learned) -> list[tuple[float, float]]:
    """Value and standard uncertainty of each input."""
    moments = zip(learned.inputs, learned.unit_moments.tolist(), strict=True)
    return [(one.number.value * factor, one.number.value * u) for one, (factor, u) in moments]


def most_taught_first(changes: tuple[BeforeAfter, ...]) -> tuple[BeforeAfter, ...]:
    """The same, those of which least doubt is left first."""
    return tuple(sorted(changes, key=lambda change: change.left))
