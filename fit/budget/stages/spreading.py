"""A small source on a larger plate."""

from __future__ import annotations

from functools import lru_cache
from typing import ClassVar, Literal

import numpy as np

from fit.budget.stages.base import Array, Positive, Solid, Values

# What the rest of the series adds is under 0.1 % for a source of a thousandth of the plate, and the
# less the larger the source (against 40 000 terms).
TERMS = 400


class Spreading(Solid):
    """Plate conduction plus the Fourier-Bessel series for the spreading, round with equal areas.

    A disc of radius a gives off a uniform flux on a plate of radius b and thickness t whose other
    face passes it on through `onward_K_per_W`. With J1(lambda_n) = 0, eps = a/b, tau = t/b and
    Bi = b / (k pi b^2 R_onward):

        R_mean = t/(k pi b^2) + sum 4 phi_n J1(eps lambda_n)^2 / (k pi b eps^2 lambda_n^3 J0^2)
        phi_n = (tanh(lambda_n tau) + lambda_n/Bi) / (1 + lambda_n/Bi tanh(lambda_n tau))

    The hottest point has 2 phi_n J1(lambda_n eps) / (k pi b eps lambda_n^2 J0^2) in the sum.
    Source: the heat equation in the cylinder; Lee, Song et al. approximate the same (from memory).
    Square sources and plates are taken by area. Default uncertainties: conductivity 5 %, areas and
    thickness 2 %, onward 30 % (it enters weakly).
    """

    source_mm2: Positive
    plate_mm2: Positive
    thickness_mm: Positive
    conductivity_W_per_mK: Positive
    onward_K_per_W: Positive
    point: Literal["mean", "hottest"] = "mean"

    steps: ClassVar = {"thickness_mm": 0.5, "plate_mm2": 100.0, "conductivity_W_per_mK": 10.0}
    default_u: ClassVar = {
        "source_mm2": 0.02,
        "plate_mm2": 0.02,
        "thickness_mm": 0.02,
        "conductivity_W_per_mK": 0.05,
        "onward_K_per_W": 0.30,
    }

    def problem(self) -> str | None:
        if self.source_mm2 >= self.plate_mm2:
            return "source_mm2 is not smaller than plate_mm2"
        return super().problem()

    def volume_mm3(self) -> float:
        return self.plate_mm2 * self.thickness_mm

    def resistance(self, values: Values) -> Array:
        lam, j0_squared = _zeros()
        source, plate, thickness, conductivity, onward = (
            np.atleast_1d(values[key])[:, None]
            for key in (
                "source_mm2",
                "plate_mm2",
                "thickness_mm",
                "conductivity_W_per_mK",
                "onward_K_per_W",
            )
        )
        b = np.sqrt(plate / np.pi) * 1e-3
        eps = np.minimum(np.sqrt(source / plate), 0.999)
        turn = lam * conductivity * np.pi * b * onward
        through = np.tanh(lam * thickness * 1e-3 / b)
        phi = (through + turn) / (1 + turn * through)
        bessel = _j1(lam * eps)
        if self.point == "mean":
            terms = 4 * phi * bessel**2 / (eps**2 * lam**3 * j0_squared)
        else:
            terms = 2 * phi * bessel / (eps * lam**2 * j0_squared)
        plain = thickness * 1e-3 / (conductivity * np.pi * b**2)
        return np.asarray(
            (plain + terms.sum(axis=1, keepdims=True) / (conductivity * np.pi * b))[:, 0]
        )


@lru_cache(maxsize=1)
def _zeros() -> tuple[Array, Array]:
    from scipy.special import j0, jn_zeros

    zeros = jn_zeros(1, TERMS)
    return zeros, j0(zeros) ** 2


def _j1(x: Array) -> Array:
    from scipy.special import j1

    return np.asarray(j1(x))
