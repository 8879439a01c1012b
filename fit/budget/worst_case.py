"""The product in the hottest air it must stand: its temperatures, and the power it may have."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fit.budget.model import Array, Budget, Prediction
from fit.budget.prediction import rises_K
from fit.budget.sources import HIGHEST_W

TOUCH_AMBIENT_DEGC = 25.0  # where touch temperatures are judged (committee practice)


@dataclass(frozen=True, eq=False)
class WorstCase:
    """By the stated values, at the prediction's power."""

    ambient_degC: float
    degC: Mapping[str, float]  # node -> temperature
    limit_degC: Mapping[str, float]  # of the nodes that have one there
    allowable_W: float | None
    """Electrical power of all sources, shared as the budget does, at which the first node reaches
    its limit there or the case its touch limit, which is judged in milder air; None without any."""


def worst_case(prediction: Prediction) -> WorstCase:
    """A budget at its `ambient_max_degC`, or at the prediction's ambient where it states none.

    The touch limit is judged in air of `TOUCH_AMBIENT_DEGC`; only the allowable power knows it.

    Args:
        prediction: of the budget.

    Returns:
        Temperatures, limits and allowable power; empty for a budget made without formulas.
    """
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
    touch = budget.limits.case_touch_degC
    touched = {} if touch is None else {budget.touched: touch}
    most = [
        _most_W(budget, powers, air_degC, limit)
        for air_degC, limit in ((ambient, stated), (TOUCH_AMBIENT_DEGC, touched))
        if limit and powers.sum() > 0
    ]
    allowable = min(most, default=None)
    degC = ambient + rises_K(budget, powers, ambient)
    return WorstCase(ambient, dict(zip(nodes, degC.tolist(), strict=True)), stated, allowable)


def _most_W(
    budget: Budget, powers: Array, ambient_degC: float, limit_degC: Mapping[str, float]
) -> float:
    """Power of all sources together at which the first of these nodes is at its limit [W]."""
    from scipy.optimize import brentq

    limits = np.array([*limit_degC.values()])
    places = [budget.tree.index(node) for node in limit_degC]
    if ambient_degC >= limits.min():
        return 0.0

    def beyond(factor: float) -> float:
        rises = rises_K(budget, factor * powers, ambient_degC)[places]
        return float(np.max(ambient_degC + rises - limits))

    most = 1.0
    while beyond(most) < 0 and most * powers.sum() < HIGHEST_W:
        most *= 2
    factor = brentq(beyond, 0.0, most, xtol=1e-9) if beyond(most) > 0 else most
    return float(factor * powers.sum())
