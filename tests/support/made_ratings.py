"""A made product for the rating: its budget, and what a perfect bench would measure (invented)."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from bench.virtual.prototype import CaseSurface
from fit.records.run import Array

POWER_W, LAB_DEGC, WORST_DEGC, JUNCTION_LIMIT_DEGC, SHARE = 4.0, 23.0, 55.0, 110.0, 0.95
NODES = ("junction", "tab", "bar", "case", "ambient")
BUDGET = f"""
schema = 1
title = "Charge controller (invented)"
[conditions]
power_W = {POWER_W}
ambient_degC = {LAB_DEGC}
ambient_max_degC = {WORST_DEGC}
path_fraction = {SHARE}
path_fraction_u = 0.01
[limits]
junction_degC = {JUNCTION_LIMIT_DEGC}
case_touch_degC = 48.0
[[stage]]
name = "junction to tab"
from = "junction"
to = "tab"
kind = "stated"
R_K_per_W = 1.5
R_u_K_per_W = 0.1
C_J_per_K = 0.05
[[stage]]
name = "vias and pad"
from = "tab"
to = "bar"
kind = "stated"
R_K_per_W = 4.0
R_u_K_per_W = 0.4
[[stage]]
name = "joint"
from = "bar"
to = "case"
kind = "stated"
R_K_per_W = 0.7
R_u_K_per_W = 0.1
[[stage]]
name = "case to air"
from = "case"
to = "ambient"
kind = "surface"
emissivity = 0.85
faces = [
  {{ area_mm2 = 14000, orientation = "vertical", height_mm = 80 }},
  {{ area_mm2 = 5000, orientation = "up" }},
  {{ area_mm2 = 5000, orientation = "down" }},
]
"""


def settled_degC(
    node: str,
    power_W: float,
    ambient_degC: float,
    *,
    above_case_K_per_W: Array,
    surface: CaseSurface,
) -> float:
    """Where a node of a product settles [degC].

    Args:
        node: one of NODES but the last.
        power_W: electrical, SHARE of which takes the path.
        ambient_degC: of the air.
        above_case_K_per_W: junction - tab - bar - case (3,).
        surface: case to ambient.
    """
    heat_W = SHARE * power_W
    case = ambient_degC + heat_W * surface.resistance_K_per_W(heat_W, ambient_degC)
    return float(case + heat_W * np.sum(above_case_K_per_W[NODES.index(node) :]))


def write_budget(folder: Path) -> Path:
    """The budget as a file of that folder."""
    path = folder / "budget.toml"
    path.write_text(BUDGET)
    return path
