"""Which runs have taught, now and in an earlier file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fit.budget.learned import Learned
from fit.learning.identity import Identity

IN_COMMON = (
    "what these runs and earlier ones have in common beside the process (a rig's errors of power "
    "and match, a unit's own scatter) is not known from the file and counts as new: on the same "
    "rig the uncertainties come out too small"
)


@dataclass(frozen=True)
class RunTaught:
    """One run, and whether it has taught."""

    run: Identity
    spans: tuple[str, ...]  # "from - to" of those that are resolved
    chi_square: float  # of the spans against what was known before
    p: float  # of a larger one
    taught: bool
    why_not: str  # empty where it has


@dataclass(frozen=True, eq=False)
class Earlier:
    """What a file says of runs before these."""

    file: str
    learned: Learned
    runs: tuple[RunTaught, ...]
    warnings: tuple[str, ...] = ()  # of uncertainties that were too small then

    @property
    def taught_by(self) -> tuple[Identity, ...]:
        """The runs that have taught."""
        return tuple(one.run for one in self.runs if one.taught)

    def beside(self, runs: Sequence[RunTaught]) -> tuple[RunTaught, ...]:
        """The runs before, without those that did not teach and are tried again.

        Args:
            runs: of now.

        Returns:
            What stays in the list of runs.
        """
        again = [one.run for one in runs]
        return tuple(one for one in self.runs if one.taught or not any(map(one.run.is_same, again)))
