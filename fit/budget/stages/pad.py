"""An insulating pad under pressure."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from fit.budget.stages.base import (
    Array,
    Block,
    Fraction,
    NotNegative,
    Positive,
    Solid,
    Values,
    Whole,
)
from fit.budget.uncertain import Uncertain


class Screw(Block):
    """Screws that press the joint: F = T / (K d) each (common practice, K about 0.2 dry).

    >>> round(Screw(count=2, thread_mm=3.0, torque_Nm=0.6).force_N())  # 2 x 0.6 / (0.2 x 3e-3)
    2000
    """

    count: Whole
    thread_mm: Positive
    torque_Nm: Positive
    torque_Nm_u: NotNegative | None = None
    k: Fraction = 0.2
    k_u: NotNegative | None = None
    thread_mm_u: NotNegative | None = None

    def force_N(self) -> float:
        """Clamp force of all screws [N]."""
        return self.count * self.torque_Nm / (self.k * self.thread_mm * 1e-3)

    def relative_u(self) -> float | None:
        """Relative standard uncertainty of the force, None where no part of it is stated."""
        stated = (
            (self.torque_Nm, self.torque_Nm_u),
            (self.k, self.k_u),
            (self.thread_mm, self.thread_mm_u),
        )
        if all(u is None for _, u in stated):
            return None
        return float(np.sqrt(sum(((u or 0.0) / value) ** 2 for value, u in stated)))


class Pad(Solid):
    """R = t / (k A) + contact / A, or the maker's impedance at the pressure of the screws / A.

    `contact_K_mm2_per_W` is the intercept of impedance against thickness (ASTM D5470, memory);
    `impedance_points` are [[kPa, K mm2/W], ...] from a data sheet, between which the logarithm of
    the impedance is taken as linear in the logarithm of pressure, and beyond which it is held.
    Without points, `screw` does not change R: the advice on a poor contact names its torque.

    Default uncertainties: conductivity 10 % (data sheets state typical values, common practice),
    thickness 5 %, area 2 %, contact 30 %, impedance 10 %; clamp force 20 % (torque-controlled
    tightening scatters 17 to 23 %, VDI 2230).

    >>> from fit.budget.stages.base import numbers
    >>> keys = {"name": "pad", "from": "board_back", "to": "bar", "kind": "pad"}
    >>> pad = Pad(**keys, area_mm2=308.0, thickness_mm=0.5, conductivity_W_per_mK=3.0)
    >>> round(pad.resistance(numbers(pad)), 3)  # 0.5e3 / (3 x 308)
    0.541
    """

    area_mm2: Positive
    thickness_mm: Positive | None = None
    conductivity_W_per_mK: Positive | None = None
    contact_K_mm2_per_W: NotNegative | None = None
    impedance_points: (
        Annotated[tuple[tuple[Positive, Positive], ...], Field(min_length=1)] | None
    ) = None
    screw: Screw | None = None
    clamp_factor: Positive = 1.0  # true clamp force over the one from the torque
    impedance_factor: Positive = 1.0  # true impedance over the data sheet's

    steps: ClassVar = {"thickness_mm": 0.1, "area_mm2": 10.0, "conductivity_W_per_mK": 1.0}
    default_u: ClassVar = {
        "conductivity_W_per_mK": 0.10,
        "thickness_mm": 0.05,
        "area_mm2": 0.02,
        "contact_K_mm2_per_W": 0.30,
        "clamp_factor": 0.20,
        "impedance_factor": 0.10,
    }
    # From a film of grease to the thickest gap pads; from felt to graphite through its plane
    # (common practice).
    usual: ClassVar = {"thickness_mm": (0.005, 25.0), "conductivity_W_per_mK": (0.03, 200.0)}
    is_contact: ClassVar = True
    tables: ClassVar = {"screw": Screw}

    def problem(self) -> str | None:
        if half := super().problem():
            return half
        if self.impedance_points is not None:
            if self.screw is None:
                return "impedance_points need screw = { count, thread_mm, torque_Nm }"
            if self.contact_K_mm2_per_W is not None:
                return "impedance_points already hold the contact; leave contact_K_mm2_per_W out"
            pressures = [point[0] for point in self.impedance_points]
            rising = all(a < b for a, b in pairwise(pressures))
            return None if rising else "impedance_points must rise in pressure"
        if self.thickness_mm is None or self.conductivity_W_per_mK is None:
            return "thickness_mm and conductivity_W_per_mK, or impedance_points, are needed"
        return None

    def remark(self, rise_K: float) -> str | None:
        pressure = self.pressure_kPa()
        if self.impedance_points is None or pressure is None:
            return None
        low, high = self.impedance_points[0][0], self.impedance_points[-1][0]
        if low <= pressure <= high:
            return None
        return (
            f"the screws press with {pressure:.4g} kPa, and the impedance points go from {low:g} "
            f"to {high:g} kPa; the nearest is used"
        )

    def resistance(self, values: Values) -> Array:
        area = values["area_mm2"]
        if self.impedance_points is not None and self.screw is not None:
            kPa, impedance = np.log(np.array(self.impedance_points)).T
            pressure = 1e3 * self.screw.force_N() * values["clamp_factor"] / area
            # np.interp is linear between points and holds the end values.
            here = np.exp(np.interp(np.log(pressure), kPa, impedance))
            return here * values["impedance_factor"] / area
        bulk = 1e3 * values["thickness_mm"] / values["conductivity_W_per_mK"]
        return (bulk + values.get("contact_K_mm2_per_W", 0.0)) / area

    def unused(self) -> frozenset[str]:
        if self.impedance_points is None:
            return frozenset({"clamp_factor", "impedance_factor"})
        return frozenset({"thickness_mm", "conductivity_W_per_mK"})

    def parts_u(self) -> dict[str, Uncertain]:
        relative = None if self.screw is None else self.screw.relative_u()
        if relative is None:
            return {}
        return {"clamp_factor": Uncertain(self.clamp_factor, relative * self.clamp_factor)}

    def volume_mm3(self) -> float | None:
        return None if self.thickness_mm is None else self.thickness_mm * self.area_mm2

    def pressure_kPa(self) -> float | None:
        """Mean pressure under the screws [kPa], None without screws."""
        return None if self.screw is None else 1e3 * self.screw.force_N() / self.area_mm2
