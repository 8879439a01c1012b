"""A bar: one-dimensional conduction along its length."""

from __future__ import annotations

from typing import ClassVar

from fit.budget.stages.base import Array, Positive, Solid, Values


class Bar(Solid):
    """R = L / (k A), Fourier's law.

    Valid where the heat enters and leaves over the whole section; where it does not, a `spreading`
    stage precedes it. Heat capacity: density x specific heat x L x A where both are given.

    Default uncertainties: conductivity 5 % (an alloy's range within its designation, common
    practice), length and area 1 % (drawing tolerances).

    >>> from fit.budget.stages.base import numbers
    >>> keys = {"name": "bar", "from": "bar", "to": "case", "kind": "bar"}
    >>> bar = Bar(**keys, length_mm=40.0, area_mm2=100.0, conductivity_W_per_mK=200.0)
    >>> bar.resistance(numbers(bar))
    2.0
    """

    length_mm: Positive
    area_mm2: Positive
    conductivity_W_per_mK: Positive

    steps: ClassVar = {"length_mm": 1.0, "area_mm2": 10.0, "conductivity_W_per_mK": 10.0}
    default_u: ClassVar = {"conductivity_W_per_mK": 0.05, "length_mm": 0.01, "area_mm2": 0.01}

    # From a plastic to diamond, at 300 K (common practice).
    usual: ClassVar = {"length_mm": (0.1, 2000.0), "conductivity_W_per_mK": (0.1, 2500.0)}

    def resistance(self, values: Values) -> Array:
        return 1e3 * values["length_mm"] / (values["conductivity_W_per_mK"] * values["area_mm2"])

    def volume_mm3(self) -> float:
        return self.length_mm * self.area_mm2
