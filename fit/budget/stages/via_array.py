"""Plated vias through a board."""

from __future__ import annotations

from typing import ClassVar

import numpy as np

from fit.budget.stages.base import Array, NotNegative, Positive, StageKeys, Values, Whole


class ViaArray(StageKeys):
    """N plated barrels in parallel, each R = L / (k pi (D - t) t): annulus conduction.

    D is the drilled diameter, t the plating, L the board. Options: `fill_W_per_mK` conducts in the
    bore beside the barrel; `spread_K_per_W` is in series with the whole array; with `pitch_mm`
    and `foil_um` the vias lie in square rings of that pitch (4, 12, 20, ... from the middle) and
    heat reaches an outer ring only through the foil between, ln(r2/r1) / (2 pi k foil), so that
    more vias bring less and less.

    Default uncertainties: plating 10 % (hole plating of 20 um class 2 or 25 um class 3 is an
    average at the least: IPC, from memory), drill 3 %, board 5 % (common practice), conductivity
    5 % (electrodeposited copper lies below the 401 of pure metal).

    >>> from fit.budget.stages.base import numbers
    >>> keys = {"name": "vias", "from": "tab", "to": "board_back", "kind": "via_array"}
    >>> vias = ViaArray(**keys, count=20, drill_mm=0.6, plating_um=25.0, board_mm=1.6)
    >>> round(float(vias.resistance(numbers(vias))), 2)  # 1.6e3 / (20 x 385 pi 0.575 x 0.025)
    4.6
    """

    count: Whole
    drill_mm: Positive
    plating_um: Positive
    board_mm: Positive
    conductivity_W_per_mK: Positive = 385.0
    fill_W_per_mK: NotNegative | None = None
    pitch_mm: Positive | None = None
    foil_um: Positive | None = None
    spread_K_per_W: NotNegative | None = None

    steps: ClassVar = {
        "count": 1.0,
        "drill_mm": 0.1,
        "plating_um": 5.0,
        "board_mm": 0.2,
        "foil_um": 35.0,
    }
    default_u: ClassVar = {
        "plating_um": 0.10,
        "drill_mm": 0.03,
        "board_mm": 0.05,
        "conductivity_W_per_mK": 0.05,
        "spread_K_per_W": 0.20,
        "fill_W_per_mK": 0.10,
        "foil_um": 0.10,
    }

    # Wider than fabricators offer, from laser-drilled microvias to press-fit holes and from inner
    # foil to busbar boards; metals from solder to silver (common practice).
    usual: ClassVar = {
        "drill_mm": (0.05, 10.0),
        "plating_um": (3.0, 500.0),
        "board_mm": (0.1, 10.0),
        "conductivity_W_per_mK": (20.0, 430.0),
        "foil_um": (5.0, 1000.0),
    }

    def problem(self) -> str | None:
        if self.plating_um * 1e-3 >= self.drill_mm / 2:
            return "plating_um fills the whole hole; it must be under half of drill_mm"
        if (self.pitch_mm is None) != (self.foil_um is None):
            return "pitch_mm and foil_um go together"
        if self.pitch_mm is not None and self.pitch_mm <= self.drill_mm:
            return "pitch_mm is not above drill_mm: the holes would touch"
        return None

    def resistance(self, values: Values) -> Array:
        drill, plating = values["drill_mm"] * 1e-3, values["plating_um"] * 1e-6
        plating = np.minimum(plating, 0.49 * drill)
        board, conductivity = values["board_mm"] * 1e-3, values["conductivity_W_per_mK"]
        conductance = conductivity * np.pi * (drill - plating) * plating / board
        if "fill_W_per_mK" in values:
            conductance += values["fill_W_per_mK"] * np.pi / 4 * (drill - 2 * plating) ** 2 / board
        array = 1 / (self.count * conductance)
        if self.pitch_mm is not None:
            foil = 1 / (2 * np.pi * conductivity * values["foil_um"] * 1e-6)
            array = _rings(1 / conductance, foil, self.count)
        return array + values.get("spread_K_per_W", 0.0)


def ring_sizes(count: int) -> list[int]:
    """Vias in each square ring, from the middle: 4, 12, 20, ... and what is left in the last.

    Args:
        count: of all vias.

    Returns:
        Vias in each ring, innermost first.

    >>> ring_sizes(20)
    [4, 12, 4]
    """
    sizes: list[int] = []
    while count > 0:
        sizes.append(min(count, 8 * len(sizes) + 4))
        count -= sizes[-1]
    return sizes


def _rings(via: Array, foil: Array, count: int) -> Array:
    """Rings of vias joined by foil: a ladder worked from the outermost ring inwards.

    `foil` is 1 / (2 pi k t) [K/W]; ring i lies at a mean distance in proportion to 2 i + 1.
    """
    sizes = ring_sizes(count)
    whole = via / sizes[-1]
    for i in range(len(sizes) - 2, -1, -1):
        between = foil * np.log((2 * i + 3) / (2 * i + 1))
        whole = 1 / (sizes[i] / via + 1 / (between + whole))
    return whole
