"""The product in the hottest air it must stand: its temperatures, and the power it may have."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fit.budget.model import Prediction
from fit.budget.prediction import rises_K
from fit.budget.sources import HIGHEST_W


@dataclass(frozen=True, eq=False)
class WorstCase:
    """By the stated values, at the prediction's power."""

    ambient_degC: float
    degC: Mapping[str, float]  # node -> temperature
    limit_degC: Mapping[str, float]  # of the nodes that have one there
    allowable_W: float | None
    """Electrical power of all sources, shared as the budget does, at which the first node reaches
    its limit; None without a limit."""


def worst_case(prediction: Prediction) -> WorstCase:
    """A budget at its `ambient_max_degC`, or at the prediction's ambient where it states none.

    The touch limit is judged at another ambient, and is none of these.

    Args:
        prediction: of the budget.

    Returns:
        Temperatures, limits and allowable power; empty for a budget made without formulas.
    """
    from scipy.optimize import brentq

    budget = prediction.budget
    hottest = budget.conditions.ambient_max_degC
    ambient = prediction.ambient_degC if hottest is None else hottest
    if any(stage.keys is None for stage in budget.stages):
        return WorstCase(ambient, {}, {}, None)  # made by hand: stages without a formula
    powers, nodes = prediction.source_power_W, budget.tree.nodes
    limits = {source.node: source.limit_degC for source in budget.sources}
    if limits.get(nodes[0]) is None:
        limits[nodes[0]] = budget.limits.junction_degC
    stated = {node: limit for node, limit in limits.items() if limit is not None}
    places = [budget.tree.index(node) for node in stated]

    def beyond(factor: float) -> float:
        rises = rises_K(budget, factor * powers, ambient)[places]
        return float(np.max(ambient + rises - np.array([*stated.values()])))

    allowable = None
    if stated and powers.sum() > 0:
        if ambient >= min(stated.values()):
            allowable = 0.0
        else:
            most = 1.0
            while beyond(most) < 0 and most * powers.sum() < HIGHEST_W:
                most *= 2
            factor = brentq(beyond, 0.0, most, xtol=1e-9) if beyond(most) > 0 else most
            allowable = float(factor * powers.sum())
    degC = ambient + rises_K(budget, powers, ambient)
    return WorstCase(ambient, dict(zip(nodes, degC.tolist(), strict=True)), stated, allowable)
