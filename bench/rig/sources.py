"""Where the power figures come from, who switches each source, and which are on when.

A rig of one source says [power]; of several, one [[source]] each. To the rest of the bench both are
sources: that of [power] has no name, and its columns and events carry none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from bench.instruments.settings import Block, Name, Text
from bench.rig.quantities import Heating, NodeName, Share, Watts
from fit.records.source_columns import power_column

OPERATOR = "operator"
NEVER = "none"
SUPPLY = ("supply_V", "supply_A")


class Power(Block):
    """[power]: the only source, where its figure comes from and who switches it."""

    source: Literal["measured", "stated"] = "measured"
    power_W: Watts | None = None
    switch: Name = OPERATOR
    u_relative: Share = 0.0  # relative standard uncertainty of the recorded power


class Source(Block):
    """[[source]]: one of several, named as in the budget."""

    name: NodeName
    power: Literal["measured", "stated"] = "measured"
    V: Text | None = None  # fields of its volts and amperes, of any instrument
    A: Text | None = None
    power_W: Watts | None = None  # where it is stated
    switch: Name = OPERATOR
    max_power_W: Watts | None = None  # over it, all power goes off
    u_relative: Share = 0.0


class PhasePlan(Block):
    """One of `phases`: which sources are on, and for how long."""

    on: tuple[NodeName, ...]
    for_s: Heating


@dataclass(frozen=True)
class PowerSource:
    """A source as the bench takes it, whichever table it stands in."""

    name: str  # "" of the only one, of [power]
    measured: bool
    fields: tuple[str, ...]  # its volts and amperes; none where the power is stated
    power_W: float | None
    switch: str  # an instrument's name, OPERATOR or NEVER
    most_W: float | None = None

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns of the record that carry its power, of a source with a name."""
        if self.measured:
            return (f"{self.name}_V", f"{self.name}_A")
        return (power_column(self.name),)

    @property
    def is_switched(self) -> bool:
        """Whether a run switches it."""
        return self.switch != NEVER

    @property
    def words(self) -> str:
        """How a message calls what feeds it."""
        return f"the supply of '{self.name}'" if self.name else "the supply"


@dataclass(frozen=True)
class Heat:
    """The heating, phase by phase."""

    on: tuple[frozenset[str], ...]  # sources that are on in each phase
    until_s: tuple[float, ...]  # when each ends, since the heating began [s]

    def at(self, elapsed_s: float) -> frozenset[str]:
        """The sources that are on so long after the heating began [s]; none after its end.

        >>> heat = Heat((frozenset({"lamp", "fan"}), frozenset({"fan"})), (60.0, 90.0))
        >>> sorted(heat.at(0.0)), sorted(heat.at(60.0)), sorted(heat.at(90.0))
        (['fan', 'lamp'], ['fan'], [])
        """
        phases = zip(self.on, self.until_s, strict=True)
        return next((on for on, until in phases if elapsed_s < until), frozenset())

    @property
    def total_s(self) -> float:
        """Length of the heating [s]."""
        return self.until_s[-1]


def as_power_sources(power: Power | None, blocks: Sequence[Source]) -> tuple[PowerSource, ...]:
    """The sources of a rig, in its order."""
    if power is not None:
        return (PowerSource("", power.source == "measured", SUPPLY, power.power_W, power.switch),)
    return tuple(
        PowerSource(
            one.name,
            one.power == "measured",
            (one.V or "", one.A or "") if one.power == "measured" else (),
            one.power_W,
            one.switch,
            one.max_power_W,
        )
        for one in blocks
    )


def heating(sources: Sequence[PowerSource], phases: Sequence[PhasePlan], heat_s: float) -> Heat:
    """The phases of the heating.

    Args:
        sources: of the rig.
        phases: as stated; where there are none, all sources are on first and then go off one after
            another, which tells their branches apart.
        heat_s: shared evenly among those [s].

    >>> two = [PowerSource(name, True, (), None, "operator") for name in ("lamp", "fan")]
    >>> heat = heating(two, (), 120.0)
    >>> [sorted(on) for on in heat.on], heat.until_s
    ([['fan', 'lamp'], ['fan']], (60.0, 120.0))
    """
    if phases:
        ends: list[float] = []
        for phase in phases:
            ends.append((ends[-1] if ends else 0.0) + phase.for_s)
        return Heat(tuple(frozenset(one.on) for one in phases), tuple(ends))
    names = [one.name for one in sources if one.is_switched]
    count = len(names)
    return Heat(
        tuple(frozenset(names[first:]) for first in range(count)),
        tuple(heat_s * (first + 1) / count for first in range(count)),
    )
