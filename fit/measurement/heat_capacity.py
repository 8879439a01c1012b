"""Evidence on the power reading: the heat capacity a record shows, beside the budget's.

By energy balance (`fit.identification.energy_balance`) the heat put in is stored or lost. With the
budget's capacities C_i and the measured rises, the factor s of

    ∫P dt = s Σ_i C_i (T_i(t) − T_i(0)) + g ∫(T_case − T_ambient)^(1+n) dt

is the apparent heat capacity over the budget's. A power that reads high by a share e makes it
1 + e, as it makes every resistance 1/(1 + e); a resistance that rose leaves it alone. So it is a
second check of the power, as good as the budget's heat capacities are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fit.identification.autocorrelation import MOST_UNDESCRIBED, inflation, lag_one
from fit.identification.energy_balance import energy_balance, integral
from fit.records.run import Array
from fit.signals.preparation import Signals

EXPONENTS = np.linspace(0.0, 0.3, 7)  # of the loss, see `fit.identification.energy_balance`
MODEL_U = 0.01  # of the ratio: lumps, one exponent for convection and radiation
WORST_U = 0.2  # beyond, the record does not determine the heat capacity
LEAST_CELLS = 20  # for three unknowns, with residuals that are alike over several cells


@dataclass(frozen=True, eq=False)
class StoredHeat:
    """Apparent over predicted heat capacity of a path, per watt of recorded power."""

    ratio: float
    u: float  # standard uncertainty of the fit, the budget's capacities taken as they are
    share: Array  # (nodes,) of the stored heat at each node, as predicted


def stored_heat(
    signals: Signals, nodes: tuple[str, ...], C_J_per_K: Array, power_W: float
) -> StoredHeat | None:
    """Apparent heat capacity of a record over the one predicted.

    Args:
        signals: offset-corrected record.
        nodes: measured nodes in order of the path, ambient last.
        C_J_per_K: predicted heat capacity that rises with each node but the last (nodes - 1,).
        power_W: recorded while heating.

    Returns:
        None where there is no ambient, no capacity, or the record is too short.
    """
    if nodes[-1] != "ambient" or len(nodes) < 2 or not np.any(C_J_per_K > 0) or power_W <= 0:
        return None
    balance = energy_balance(signals, nodes[-2], power_W)
    if len(balance.energy) < LEAST_CELLS:
        return None
    measured = [node for node in signals.nodes if node != "ambient"]
    # A junction read by its own voltage has no scans: what little heat it stores warms as its tab.
    begins = next(i for i, node in enumerate(nodes) if node in measured)
    columns = [measured.index(node) for node in nodes[begins:-1]]
    by_node = balance.rises[:, columns[:1] * begins + columns] * C_J_per_K
    stored = by_node.sum(axis=1)
    step = balance.after_edge.astype(float)
    designs = []
    for exponent in EXPONENTS:
        rise = np.sign(balance.case_K) * np.abs(balance.case_K) ** (1 + exponent)
        designs.append(np.column_stack((stored, integral(rise, balance.middle_s), step)))
    ratio, variance = _over_designs(designs, balance.energy)
    u = float(np.hypot(np.sqrt(variance), MODEL_U * abs(ratio)))
    if not 0 < u < WORST_U * ratio:
        return None
    last = np.maximum(by_node[int(np.argmax(stored))], 0.0)
    return StoredHeat(ratio, u, np.append(last / last.sum(), 0.0))


def _over_designs(designs: list[Array], energy: Array) -> tuple[float, float]:
    """Least-squares coefficient of the first column, and its variance, over several models.

    Each counts by its likelihood. Neighbouring residuals are alike: they count once per run of like
    signs, not once each.
    """
    coefficients, spreads, residuals = [], [], []
    for design in designs:
        scale = np.maximum(np.abs(design).max(axis=0), 1e-12)
        inverse = np.linalg.pinv(design / scale)
        coefficient = inverse @ energy
        coefficients.append(coefficient[0] / scale[0])
        spreads.append((inverse[0] / scale[0]) @ (inverse[0] / scale[0]))
        residuals.append(energy - design / scale @ coefficient)
    squares = np.maximum(np.sum(np.square(residuals), axis=1), 1e-300)
    best = residuals[int(squares.argmin())]
    rho = lag_one(best[:, None], MOST_UNDESCRIBED)
    free = max(len(energy) - designs[0].shape[1], 1) / inflation(rho)
    weight = (squares.min() / squares) ** (0.5 * free)
    weight /= weight.sum()
    mean = float(weight @ coefficients)
    own = squares / free * np.array(spreads)
    return mean, float(weight @ (own + (np.array(coefficients) - mean) ** 2))
