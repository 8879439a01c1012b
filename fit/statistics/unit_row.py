"""One run's verdict as a small row of plain values: what travels between processes, and is kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from fit.notation import span_name


@dataclass(frozen=True)
class SpanRow:
    """One span of one run held against the budget; per watt on its path."""

    from_node: str
    to_node: str
    stages: tuple[str, ...]
    predicted_K_per_W: float | None
    predicted_u_K_per_W: float | None
    limit_K_per_W: float | None
    measured_K_per_W: float | None
    measured_u_K_per_W: float | None
    own_u_K_per_W: float | None  # without the errors that all runs of one rig share
    p_conforming: float | None
    E_n: float | None
    decision: str  # conforming | non-conforming | undecided
    resolved: bool | None

    @property
    def name(self) -> str:
        """Its stages."""
        return span_name(self.stages, self.from_node, self.to_node)

    @property
    def ends(self) -> tuple[str, str]:
        """The nodes it lies between."""
        return self.from_node, self.to_node


@dataclass(frozen=True)
class UnitRow:
    """One run: its decision, its spans and the likeliest cause; or the line why there are none."""

    run: str
    unit: str = ""  # serial number
    started: str = ""  # UTC, ISO 8601; empty where nobody knows
    rig: str = ""  # equal for runs of one rig
    values: Mapping[str, float | str] = field(default_factory=dict)  # what was set, by name
    decision: str = ""
    spans: tuple[SpanRow, ...] = ()
    cause: str | None = None
    where: str | None = None
    probability: float | None = None
    error: str | None = None
    record_digest: str = ""
    budget_digest: str = ""

    @property
    def name(self) -> str:
        """Serial number of the unit, or else its run."""
        return self.unit or self.run
