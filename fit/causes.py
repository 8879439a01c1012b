"""What most likely went wrong: hypotheses compared by the likelihood of the pattern of deviations."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Finding:
    kind: str  # poor-contact | high-resistance | sensor-placement | power-error | weak-cooling
    where: str
    probability: float
    text: str
    lead: bool = False
