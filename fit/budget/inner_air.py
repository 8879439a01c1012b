"""The air inside a sealed product: heat that leaves one wetted face crosses it to the others.

Each face of area A gives heat to the inner air, and takes it from there, by

    G = h A,   h = h_convection + 4 ε σ T³,

and the air stores nothing to speak of. Taking it out of the network joins every two faces by
G_i G_j / Σ G (star-mesh transformation, Rosen 1924): those are the leaks of the budget. Radiation
crosses from face to face and not by the air; counted so it is right in sum. The two terms: natural
convection in a closed space of centimetres, 3 W/(m² K) ± a third (common practice: 2 to
5), and radiation at 50 °C with ε = 0.8 of both faces' together, which is textbook physics.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

from fit.budget.model import Leak
from fit.budget.stages.surface import STEFAN_BOLTZMANN

CONVECTION_W_PER_M2K, CONVECTION_U = 3.0, 1.0  # air in a small box, common practice
EMISSIVITY, EMISSIVITY_U = 0.8, 0.1  # boards, plastics and paint; bare metal has less
MEAN_K = 323.15  # of the faces, 50 degC: radiation goes as T^3, 10 K are 10 % of it


def film_W_per_m2K() -> tuple[float, float]:
    """Heat transfer coefficient of an inner face and its standard uncertainty [W/(m² K)].

    >>> h, u = film_W_per_m2K()
    >>> round(h, 1), round(u, 1)
    (9.1, 1.3)
    """
    radiation = 4 * STEFAN_BOLTZMANN * MEAN_K**3
    h = CONVECTION_W_PER_M2K + EMISSIVITY * radiation
    return h, (CONVECTION_U**2 + (EMISSIVITY_U * radiation) ** 2) ** 0.5


def inner_air_leaks(
    area_mm2: Mapping[str, float], h_W_per_m2K: float, h_u_W_per_m2K: float
) -> tuple[Leak, ...]:
    """Leaks between every two faces that look into the inner air.

    Args:
        area_mm2: area of each node's face [mm²].
        h_W_per_m2K: heat transfer coefficient of every face [W/(m² K)].
        h_u_W_per_m2K: its standard uncertainty [W/(m² K)].

    >>> leak, = inner_air_leaks({"bar": 2000.0, "case": 8000.0}, 10.0, 2.0)
    >>> leak.node, leak.to_node, round(leak.R_K_per_W, 3), round(leak.R_u_K_per_W, 3)
    ('bar', 'case', 62.5, 12.5)
    """
    conductance = {node: h_W_per_m2K * area * 1e-6 for node, area in area_mm2.items()}
    total = sum(conductance.values())
    relative = h_u_W_per_m2K / h_W_per_m2K
    found = []
    for one, other in combinations(conductance, 2):
        R = total / (conductance[one] * conductance[other])
        found.append(Leak(one, R, relative * R, other))
    return tuple(found)
