"""A sealed product from its dimensions: board, vias, pad, bar, joint, case and inner air."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.benchmarks.field.assembly import Assembly

Array = Any

COPPER, FR4, ALUMINIUM = (385.0, 3.45e6), (0.35, 1.9e6), (160.0, 2.43e6)  # W/(m K), J/(m3 K)
FR4_IN_PLANE = 0.8  # W/(m K)
SOLDER_W_PER_M2K = 3e5
NODES = ("tab", "board_back", "bar", "case")


@dataclass(frozen=True)
class Dimensions:
    """What a product is made of; lengths in mm, foils in um."""

    cell_mm: float = 1.25
    board_mm: tuple[float, float] = (40.0, 30.0)
    board_thickness_mm: float = 1.6
    foil_um: float = 70.0
    plane_um: float = 35.0
    island_mm: tuple[float, float] = (15.0, 12.5)
    tab_mm: tuple[float, float] = (7.5, 7.5)
    tab_J_per_K: float = 0.5
    junction_K_per_W: float = 1.5
    junction_J_per_K: float = 0.04
    vias: int = 20
    via_K_per_W: float = 110.0
    pad_mm: tuple[float, float] = (20.0, 15.0)
    pad_K_mm2_per_W: float = 200.0  # thickness over conductivity, contact included
    bar_mm: tuple[float, float] = (60.0, 20.0)
    bar_thickness_mm: float = 6.0
    foot_mm: float = 15.0
    joint_K_mm2_per_W: float = 100.0
    case_m2: float = 0.03
    case_thickness_mm: float = 2.0
    case_W_per_mK: float = 160.0
    convection_W_per_m2K125: float = 1.6  # h = c dT^0.25
    emissivity: float = 0.85
    inner_W_per_m2K: float = 6.0
    sensed: tuple[float, float, float, float] = (0.5, 0.5, 0.5, 0.5)  # places, shares of a span
    pad_open: float = 0.0  # share of the pad that does not touch, from one side
    pad_wedge: float = 0.0  # gap at one side, in impedances of the pad


@dataclass(frozen=True)
class Product:
    """The cells of a product, and what is where."""

    assembly: Assembly
    source: int  # cell where the heat enters
    sensed: dict[str, int]  # node -> cell
    case: Array  # cells of the case
    case_area_m2: float  # of each of them
    dimensions: Dimensions
    pad_W_per_K: Array  # conductance of the pad, cell by cell


def build(d: Dimensions, random: np.random.Generator) -> Product:
    """The product of its dimensions; `random` places its vias."""
    a = d.cell_mm * 1e-3
    made = Assembly()
    nx, ny = (round(length / d.cell_mm) for length in d.board_mm)
    island = _block((nx, ny), _cells(d.island_mm, d))
    fr4_J = 0.5 * FR4[1] * d.board_thickness_mm * 1e-3
    fr4_kt = 0.5 * FR4_IN_PLANE * d.board_thickness_mm * 1e-3

    def foil(um: float, cover: Array) -> Array:
        copper = um * 1e-6 * cover
        return made.sheet(COPPER[0] * copper + fr4_kt, (COPPER[1] * copper + fr4_J) * a * a)

    cover = np.full((nx, ny), 0.15)
    cover[island] = 1.0
    front = foil(d.foil_um, cover)
    back = foil(d.plane_um, np.where(cover == 1.0, 1.0, 0.7))
    made.link(front, back, FR4[0] / (d.board_thickness_mm * 1e-3) * a * a)
    tab = int(made.cells(d.tab_J_per_K)[0])
    under_tab = front[_block((nx, ny), _cells(d.tab_mm, d))].ravel()
    made.link(tab, under_tab, SOLDER_W_PER_M2K * a * a)
    junction = int(made.cells(d.junction_J_per_K)[0])
    made.link(junction, tab, 1 / d.junction_K_per_W)
    spots = random.permutation(front[island].size)
    for spot in np.resize(spots, d.vias):
        made.link(front[island].ravel()[spot], back[island].ravel()[spot], 1 / d.via_K_per_W)

    bx, by = (round(length / d.cell_mm) for length in d.bar_mm)
    kt = ALUMINIUM[0] * d.bar_thickness_mm * 1e-3
    bar = made.sheet(
        np.full((bx, by), kt),
        np.full((bx, by), ALUMINIUM[1] * d.bar_thickness_mm * 1e-3 * a * a),
    )
    px, py = _cells(d.pad_mm, d)
    on_board = back[_block((nx, ny), (px, py))]
    on_bar = bar[:px, (by - py) // 2 : (by - py) // 2 + py]
    pad = _pad(d, (px, py)) * a * a
    made.link(on_board, on_bar, pad)

    wall, edge_mm, case_area = _case(made, d)
    foot = bar[bx - round(d.foot_mm / d.cell_mm) :, :]
    ratio = max(1, round(edge_mm / d.cell_mm))
    i, j = np.indices(foot.shape) // ratio
    middle = (wall.shape[0] // 2, wall.shape[1] // 2)
    under = wall[middle[0] + i, middle[1] + j]
    made.link(foot, under, a * a / (d.joint_K_mm2_per_W * 1e-6))

    air = int(made.cells(0.6)[0])
    for sheet in (front, back, bar):
        made.link(air, sheet.ravel(), d.inner_W_per_m2K * a * a)
    made.link(air, wall.ravel(), d.inner_W_per_m2K * case_area)
    s = d.sensed
    sensed = {
        "tab": tab,
        "board_back": int(on_board[_at(s[1], px), _at(0.5, py)]),
        "bar": int(bar[_at(s[2], bx - round(d.foot_mm / d.cell_mm)), by // 2]),
        "case": int(wall[min(middle[0] + round(8 * s[3]), wall.shape[0] - 1), middle[1]]),
    }
    return Product(made, junction, sensed, wall.ravel(), case_area, d, pad)


def _case(made: Assembly, d: Dimensions) -> tuple[Array, float, float]:
    """Walls unfolded into one sheet: its cells, their edge [mm] and area [m2]."""
    edge_mm = 8 * d.cell_mm
    count = max(36, round(d.case_m2 / (edge_mm * 1e-3) ** 2))
    nx = round(np.sqrt(1.5 * count))
    ny = round(count / nx)
    area = d.case_m2 / (nx * ny)
    kt = d.case_W_per_mK * d.case_thickness_mm * 1e-3
    capacity = ALUMINIUM[1] * d.case_thickness_mm * 1e-3 * area
    cells = made.sheet(np.full((nx, ny), kt), np.full((nx, ny), capacity))
    return cells, edge_mm, area


def _pad(d: Dimensions, shape: tuple[int, int]) -> Array:
    """Conductance of the pad per area, point by point (px, py) [W/(m2 K)]."""
    along = (np.arange(shape[0]) + 0.5) / shape[0]
    impedance = d.pad_K_mm2_per_W * 1e-6 * (1 + d.pad_wedge * along)
    conductance = np.where(along < 1 - d.pad_open, 1 / impedance, 25.0)  # a millimetre of air
    return np.repeat(conductance[:, None], shape[1], axis=1)


def _cells(size_mm: tuple[float, float], d: Dimensions) -> tuple[int, int]:
    return max(1, round(size_mm[0] / d.cell_mm)), max(1, round(size_mm[1] / d.cell_mm))


def _block(whole: tuple[int, int], part: tuple[int, int]) -> tuple[slice, slice]:
    """A block in the middle of a sheet."""
    begin = [(w - p) // 2 for w, p in zip(whole, part, strict=True)]
    return tuple(slice(b, b + p) for b, p in zip(begin, part, strict=True))


def _at(share: float, cells: int) -> int:
    return min(cells - 1, int(share * cells))
