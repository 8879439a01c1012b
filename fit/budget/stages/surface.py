"""The case's faces to the air: natural convection and radiation."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Annotated, ClassVar, Literal, Self

import numpy as np
from pydantic import Field

from fit.budget.stages.base import Array, Block, Fraction, NotNegative, Positive, StageKeys, Values
from fit.budget.uncertain import Uncertain

STEFAN_BOLTZMANN = 5.670374419e-8  # W/(m2 K4), CODATA 2018
ZERO_DEGC_K = 273.15  # by definition of the degree Celsius
GRAVITY = 9.80665  # m/s2, standard (CGPM 1901)
AIR_HEAT_CAPACITY = 1006.5  # J/(kg K), dry air near room temperature
ALL_FACES = "area_mm2"
"""The area of all faces together, changed in proportion: a case larger in length and height."""
# From below a thermocouple's resolution to beyond any case's limit, 20 % apart.
RISES_K = np.concatenate([[0.0], np.geomspace(0.05, 400.0, 48)])
ROUNDED = 1e-9  # relative: a rise comes back from the network with the rounding of its solution


class Face(Block):
    """One flat face; `height_mm`: height when vertical, area over perimeter when horizontal.

    >>> Face(area_mm2=10000.0, orientation="up").length_m()  # a square: 0.01 m2 / 0.4 m
    0.025
    """

    area_mm2: Positive
    area_mm2_u: NotNegative | None = None
    orientation: Literal["vertical", "up", "down"]
    height_mm: Positive | None = None

    def length_m(self) -> float:
        """Characteristic length [m]; that of a square face where none is given."""
        if self.height_mm is not None:
            return self.height_mm * 1e-3
        side = self.area_mm2**0.5 * 1e-3
        return side if self.orientation == "vertical" else side / 4

    def scaled(self, scale: float) -> Face:
        """The face of a body of the same shape with another area.

        Args:
            scale: of its area.

        Returns:
            The face; its height goes with the square root.
        """
        height = None if self.height_mm is None else self.height_mm * scale**0.5
        larger = {"area_mm2": self.area_mm2 * scale, "height_mm": height}
        return self.model_copy(update=larger)


class Surface(StageKeys):
    """Heat from all faces at one case temperature; R = rise / heat, so R falls as the case warms.

    Vertical faces by Churchill & Chu, horizontal ones by McAdams (hot face up or down), through the
    library ht, with air at the film temperature (US standard atmosphere relations, library fluids);
    grey radiation to surroundings at ambient temperature. Valid for free-standing faces in still
    air; bodies this small reach below the range of the horizontal correlations.

    Default uncertainties: `convection_factor` 20 % (single correlations agree with experiments
    to 10-30 %, horizontal faces of this size to 30-40 %), emissivity 0.05 absolute for paint, given
    as 6 % relative (common practice); area 2 %.
    """

    faces: Annotated[tuple[Face, ...], Field(min_length=1)]
    emissivity: Fraction
    air_kPa: Positive = 101.325  # a mountain station has less air to carry the heat off
    convection_factor: Positive = 1.0  # true convection over the correlations'
    area_factor: Positive = 1.0  # true area over the drawing's
    mass_g: Positive | None = None
    specific_heat_J_per_kgK: Positive = 900.0  # aluminium

    steps: ClassVar = {"emissivity": 0.05, ALL_FACES: 1000.0}
    default_u: ClassVar = {"emissivity": 0.06, "convection_factor": 0.20, "area_factor": 0.02}
    bounded: ClassVar = frozenset({"emissivity"})
    tables: ClassVar = {"faces": Face}

    def free(self) -> dict[str, tuple[float, float]]:
        area = sum(face.area_mm2 for face in self.faces)
        return super().free() | {ALL_FACES: (area, type(self).steps[ALL_FACES])}

    def changed(self, key: str, value: float) -> Self:
        if key != ALL_FACES:
            return super().changed(key, value)
        scale = value / sum(face.area_mm2 for face in self.faces)
        faces = tuple(face.scaled(scale) for face in self.faces)
        return self.model_copy(update={"faces": faces})

    def capacity_J_per_K(self) -> float | None:
        if self.C_J_per_K is not None or self.mass_g is None:
            return self.C_J_per_K
        return self.mass_g * 1e-3 * self.specific_heat_J_per_kgK

    def remark(self, rise_K: float) -> str | None:
        if rise_K > (1 - ROUNDED) * RISES_K[-1]:
            return (
                f"the faces cannot give off this heat within {RISES_K[-1]:.0f} K above ambient, "
                "where the prediction stops"
            )
        return None

    def parts_u(self) -> dict[str, Uncertain]:
        if all(face.area_mm2_u is None for face in self.faces):
            return {}
        area = sum(face.area_mm2 for face in self.faces)
        u = np.sqrt(sum((face.area_mm2_u or 0.0) ** 2 for face in self.faces))
        return {"area_factor": Uncertain(self.area_factor, float(u / area) * self.area_factor)}

    def rise_K(self, values: Values, heat_W: Array, ambient_degC: float) -> Array:
        """Rise of the case above ambient when it gives off a heat.

        The heat balance convection(rise) + radiation(rise) = heat is solved by Newton's method on
        curves tabulated over the rise; both only scale with the drawn factors.

        Args:
            values: of each numeric key, by name (draws,).
            heat_W: given off (draws,) [W].
            ambient_degC: of the air and of the surroundings [degC].

        Returns:
            Rise (draws,) [K], at most the last of `RISES_K`.
        """
        convection = self._convection_curve(ambient_degC)
        area_m2 = sum(face.area_mm2 for face in self.faces) * 1e-6 * values["area_factor"]
        ambient_K = ambient_degC + ZERO_DEGC_K
        radiating = values["emissivity"] * STEFAN_BOLTZMANN * area_m2
        carrying = values["convection_factor"] * values["area_factor"]

        def heat(rise: Array) -> Array:
            radiation = radiating * ((ambient_K + rise) ** 4 - ambient_K**4)
            return np.asarray(carrying * convection(rise) + radiation)

        rise = np.asarray(heat_W / (10.0 * area_m2), dtype=float)
        for _ in range(40):
            step = np.maximum(1e-4 * rise, 1e-6)
            slope = (heat(rise + step) - heat(rise)) / step
            change = (heat_W - heat(rise)) / slope
            rise = np.clip(rise + change, 0.2 * rise, RISES_K[-1])
            if np.all(np.abs(change) < 1e-7):
                break
        return rise

    def _convection_curve(self, ambient_degC: float) -> Callable[[Array], Array]:
        faces = tuple((f.area_mm2 * 1e-6, f.orientation, f.length_m()) for f in self.faces)
        curve = _convection_W(faces, round(ambient_degC, 3), self.air_kPa * 1e3)
        return lambda rise: rise * np.interp(rise, RISES_K, curve)


@lru_cache(maxsize=64)
def _convection_W(
    faces: tuple[tuple[float, str, float], ...], ambient_degC: float, air_Pa: float
) -> Array:
    """Convected heat per kelvin of rise at each of RISES_K [W/K]."""
    conductance = [
        sum(
            area * film_coefficient(o, length, rise, ambient_degC, air_Pa)
            for area, o, length in faces
        )
        for rise in RISES_K[1:]
    ]
    # No convection at zero rise; the first step is small enough for linear interpolation.
    return np.array([0.0, *conductance])


def film_coefficient(
    orientation: str, length_m: float, rise_K: float, ambient_degC: float, air_Pa: float = 101325.0
) -> float:
    """Mean natural-convection coefficient of one face, h = Nu k / L.

    Args:
        orientation: "vertical" (Churchill & Chu 1975), "up" or "down" (McAdams 1954), as in ht.
        length_m: height, or area over perimeter [m].
        rise_K: face above ambient, above 0 [K].
        ambient_degC: still air [degC].
        air_Pa: pressure of the air [Pa].

    Returns:
        The coefficient [W/(m2 K)].

    A vertical face 100 mm high, 20 K above a room:

    >>> round(film_coefficient("vertical", 0.1, 20.0, 25.0), 1)
    5.1
    """
    from fluids.atmosphere import ATMOSPHERE_1976
    from ht.conv_free_immersed import Nu_horizontal_plate_McAdams, Nu_vertical_plate_Churchill

    film_K = ambient_degC + ZERO_DEGC_K + rise_K / 2
    conductivity = ATMOSPHERE_1976.thermal_conductivity(film_K)
    viscosity = ATMOSPHERE_1976.viscosity(film_K)
    density = ATMOSPHERE_1976.density(film_K, air_Pa)
    prandtl = AIR_HEAT_CAPACITY * viscosity / conductivity
    grashof = GRAVITY * rise_K * length_m**3 * density**2 / (viscosity**2 * film_K)
    if orientation == "vertical":
        nusselt = Nu_vertical_plate_Churchill(prandtl, grashof)
    else:
        nusselt = Nu_horizontal_plate_McAdams(prandtl, grashof, buoyancy=orientation == "up")
    return float(nusselt * conductivity / length_m)
