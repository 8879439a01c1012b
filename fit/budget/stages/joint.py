"""A pressed joint of two metal faces."""

from __future__ import annotations

from typing import ClassVar

import numpy as np

from fit.budget.stages.base import Array, NotNegative, Positive, StageKeys, Values


class Joint(StageKeys):
    """R = 1 / ((h_spots + h_gap) A), conforming rough surfaces.

    h_spots = 1.25 k_s (m / sigma) (P / H)^0.95 (Yovanovich; Mechanical Engineers' Handbook),
    k_s the conductivity of the metals (harmonic mean), H the micro-hardness of the softer.
    `roughness_um` and `slope` are those of each face; both together have sqrt(2) times either.
    h_gap = k_gap / (Y + M) with Y = 1.53 sigma (P / H)^-0.097 (same source, memory) and M the jump
    distance of the gas, 0.37 um for air at 15 degC and 1 bar and 0 for a compound. Where a compound
    leaves a layer, `layer_um` replaces Y.

    Valid for P / H from 1e-6 to 0.02 and flat faces. Real bars bow: this is a lower bound, and the
    default uncertainty of `bow_factor` (mean 1, 30 %) is common practice.

    >>> from fit.budget.stages.base import numbers
    >>> keys = {"name": "joint", "from": "bar", "to": "case", "kind": "joint"}
    >>> rough = {"pressure_MPa": 1.0, "roughness_um": 1.0, "slope": 0.1, "hardness_GPa": 1.0}
    >>> joint = Joint(**keys, **rough, area_mm2=100.0, gap_W_per_mK=0.0)
    >>> round(1e4 / joint.resistance(numbers(joint)))  # 1.25 x 167 x 0.1 / 1e-6 x 0.001^0.95
    29487
    """

    area_mm2: Positive
    pressure_MPa: Positive
    roughness_um: Positive
    slope: Positive
    hardness_GPa: Positive
    conductivity_W_per_mK: Positive = 167.0
    gap_W_per_mK: NotNegative = 0.026  # the gas or compound between; 0 for none
    jump_um: NotNegative = 0.37
    layer_um: Positive | None = None
    bow_factor: Positive = 1.0  # true resistance over the one of flat faces

    steps: ClassVar = {"area_mm2": 10.0, "pressure_MPa": 0.1, "roughness_um": 0.1}
    default_u: ClassVar = {
        "area_mm2": 0.02,
        "pressure_MPa": 0.20,
        "roughness_um": 0.15,
        "slope": 0.15,
        "hardness_GPa": 0.10,
        "conductivity_W_per_mK": 0.05,
        "gap_W_per_mK": 0.05,
        "layer_um": 0.30,
        "bow_factor": 0.30,
    }
    is_contact: ClassVar = True

    def problem(self) -> str | None:
        ratio = self.pressure_MPa * 1e-3 / self.hardness_GPa
        if not 1e-6 <= ratio <= 0.02:
            return f"pressure over hardness is {ratio:.1e}; the formula holds from 1e-6 to 0.02"
        return None

    def resistance(self, values: Values) -> Array:
        sigma = np.sqrt(2) * values["roughness_um"] * 1e-6
        slope = np.sqrt(2) * values["slope"]
        load = values["pressure_MPa"] * 1e-3 / values["hardness_GPa"]
        spots = 1.25 * values["conductivity_W_per_mK"] * slope / sigma * load**0.95
        thickness = 1.53 * sigma * load**-0.097 + values["jump_um"] * 1e-6
        if "layer_um" in values:
            thickness = values["layer_um"] * 1e-6
        gap = values["gap_W_per_mK"] / thickness
        flat = 1 / ((spots + gap) * values["area_mm2"] * 1e-6)
        return np.asarray(flat * values["bow_factor"], dtype=float)
