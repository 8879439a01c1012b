"""What each of several sources does: alone, together, and how far it may go."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fit.budget.model import Array, Budget
from fit.budget.prediction import rises_K, source_powers

HIGHEST_W = 1e6  # beyond, a limit is none


@dataclass(frozen=True, eq=False)
class SourceOutlook:
    """One source at its power, in air of one temperature."""

    name: str
    node: str
    power_W: float
    alone_degC: float  # of its node, were the others off
    together_degC: float  # with the others at their powers
    limit_degC: float | None
    allowable_W: float | None  # with the others at their powers; None without a limit


def outlook(
    budget: Budget, power_W: Sequence[float] | None, ambient_degC: float
) -> tuple[SourceOutlook, ...]:
    """Every source of a budget alone and together, by the stated values.

    Args:
        budget: the budget.
        power_W: of each source, the budget's own when None [W].
        ambient_degC: air [degC].

    Returns:
        One a source. `allowable_W` is 0 where the others alone reach its limit.
    """
    powers = source_powers(budget, power_W)
    together = ambient_degC + rises_K(budget, powers, ambient_degC)
    found = []
    for s, source in enumerate(budget.sources):
        at = budget.tree.index(source.node)
        only = np.where(np.arange(len(powers)) == s, powers, 0.0)
        limit = source.limit_degC
        if limit is None and s == 0 and source.node == budget.nodes[0]:
            limit = budget.limits.junction_degC
        found.append(
            SourceOutlook(
                name=source.name,
                node=source.node,
                power_W=float(powers[s]),
                alone_degC=float(ambient_degC + rises_K(budget, only, ambient_degC)[at]),
                together_degC=float(together[at]),
                limit_degC=limit,
                allowable_W=None
                if limit is None
                else _allowable(budget, powers, s, limit, ambient_degC),
            )
        )
    return tuple(found)


def _allowable(
    budget: Budget, powers: Array, s: int, limit_degC: float, ambient_degC: float
) -> float:
    """Power of source s at which its node reaches its limit, the others at theirs [W]."""
    from scipy.optimize import brentq

    at = budget.tree.index(budget.sources[s].node)

    def beyond(power: float) -> float:
        tried = np.where(np.arange(len(powers)) == s, power, powers)
        return float(ambient_degC + rises_K(budget, tried, ambient_degC)[at] - limit_degC)

    if beyond(0.0) >= 0:
        return 0.0
    most = max(float(powers[s]), 1e-3)
    while beyond(most) < 0:
        most *= 2
        if most > HIGHEST_W:
            return HIGHEST_W
    return float(brentq(beyond, 0.0, most, xtol=1e-6))
