"""A stated resistance: from a data sheet, a manufacturer, an earlier measurement."""

from __future__ import annotations

from typing import ClassVar

from fit.budget.stages.base import Array, Positive, StageKeys, Values
from fit.budget.uncertain import Uncertain


class Stated(StageKeys):
    """R as stated.

    `R_tolerance` is relative and rectangular, standard uncertainty tolerance / sqrt(3)
    (JCGM 100, 4.3.7). Without either, 10 % standard uncertainty is assumed (common practice).

    >>> keys = {"name": "junction to tab", "from": "junction", "to": "tab", "kind": "stated"}
    >>> u = Stated(**keys, R_K_per_W=1.5, R_tolerance=0.10).parts_u()["R_K_per_W"].u
    >>> round(u, 4)  # 0.15 / sqrt(3)
    0.0866
    """

    R_K_per_W: Positive
    R_u_K_per_W: Positive | None = None
    R_tolerance: Positive | None = None

    steps: ClassVar = {"R_K_per_W": 0.1}
    default_u: ClassVar = {"R_K_per_W": 0.10}
    u_names: ClassVar = {"R_K_per_W": "R_u_K_per_W"}

    def problem(self) -> str | None:
        if self.R_u_K_per_W is not None and self.R_tolerance is not None:
            return "R_u_K_per_W and R_tolerance are both given; one of them"
        if self.R_tolerance is not None and self.R_tolerance >= 1:
            return "R_tolerance is relative: 0.10 for 10 %"
        return None

    def parts_u(self) -> dict[str, Uncertain]:
        if self.R_u_K_per_W is not None:
            return {"R_K_per_W": Uncertain(self.R_K_per_W, self.R_u_K_per_W)}
        if self.R_tolerance is not None:
            u = self.R_tolerance * self.R_K_per_W / 3**0.5
            return {"R_K_per_W": Uncertain(self.R_K_per_W, u, "rectangular")}
        return {}

    def resistance(self, values: Values) -> Array:
        return values["R_K_per_W"]
