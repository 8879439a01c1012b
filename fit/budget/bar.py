"""A bar: one-dimensional conduction along its length."""

from __future__ import annotations

from typing import ClassVar

from fit.budget.keys import Array, Positive, StageKeys, Values


class Bar(StageKeys):
    """R = L / (k A), Fourier's law.

    Valid where the heat enters and leaves over the whole section; where it does not, a `spreading`
    stage goes in front. Heat capacity: density x specific heat x L x A where both are given.

    Default uncertainties: conductivity 5 % (an alloy's range within its designation, common
    practice), length and area 1 % (drawing tolerances).
    """

    length_mm: Positive
    area_mm2: Positive
    conductivity_W_per_mK: Positive
    density_kg_per_m3: Positive | None = None
    specific_heat_J_per_kgK: Positive | None = None

    default_u: ClassVar = {"conductivity_W_per_mK": 0.05, "length_mm": 0.01, "area_mm2": 0.01}

    def problem(self) -> str | None:
        if (self.density_kg_per_m3 is None) != (self.specific_heat_J_per_kgK is None):
            return "density_kg_per_m3 and specific_heat_J_per_kgK go together"
        return None

    def resistance(self, values: Values) -> Array:
        return 1e3 * values["length_mm"] / (values["conductivity_W_per_mK"] * values["area_mm2"])

    def capacity_J_per_K(self) -> float | None:
        if self.C_J_per_K is not None or self.density_kg_per_m3 is None:
            return self.C_J_per_K
        volume_m3 = self.length_mm * self.area_mm2 * 1e-9
        return volume_m3 * self.density_kg_per_m3 * (self.specific_heat_J_per_kgK or 0.0)
