"""What a measured product of several parts may do: every part's power with the others at theirs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fit.assessment.decision import decide, probability_of_conformity
from fit.budget.model import Budget, Source
from fit.measurement.branches import Branches
from fit.notation import digits
from fit.rating.branch_network import DRAWS, MOST, BranchNetwork, branch_network, largest
from fit.rating.branch_profile import BranchProfile, run_branch_profile
from fit.rating.power_profile import Profile
from fit.rating.rating import (
    EXTRAPOLATED_BEYOND,
    STANDING_CAUTION,
    Estimate,
    HOT_TO_TOUCH_degC,
)
from fit.records.run import Array

MAP_POINTS = 11  # a tenth of the first power apart: the boundary between is nearly straight


@dataclass(frozen=True)
class SourceRating:
    """One part: its own node, and how far it may go beside the others."""

    name: str
    node: str
    power_W: float
    degC: Estimate
    limit_degC: float | None
    p_within: float | None
    decision: str | None
    allowable_power_W: Estimate | None  # with the others at their powers; None without any limit


@dataclass(frozen=True, eq=False)
class BranchRating:
    """Everything that is said of a product of several parts."""

    budget: Budget
    ambient_degC: float
    tested_power_W: Array  # (sources,)
    tested_degC: float
    nodes: dict[str, Estimate]
    sources: tuple[SourceRating, ...]
    touched: tuple[str, float, Estimate, float | None]  # node, ambient, temperature, limit
    common_factor: Estimate | None  # by which all powers may grow together
    power_map_W: Array  # (points, 2) pairs of powers at a limit, of two sources
    missing: tuple[str, ...]
    cautions: tuple[str, ...] = ()
    profile: BranchProfile | None = None


def rate_branches(
    branches: Branches,
    budget: Budget,
    ambient_degC: float | None,
    touch_degC: float,
    profile: Profile | None = None,
) -> BranchRating:
    """Rate a measured product of several parts at the budget's powers.

    Args:
        branches: as measured.
        budget: powers, limits, worst ambient, and the stages not measured.
        ambient_degC: worst ambient, the budget's when None [degC].
        touch_degC: ambient for touching [degC].
        profile: of the powers of all sources, to be run.

    Returns:
        Temperatures of every part, allowable powers and margins.

    Raises:
        NotIdentifiable: the way to air is not resolved.
    """
    network = branch_network(branches, budget)
    own = budget.conditions
    worst = own.ambient_max_degC if ambient_degC is None else ambient_degC
    worst = own.ambient_degC if worst is None else worst
    design = np.array([source.power_W for source in budget.sources])
    hot = network.node_degC(design, worst)
    limit = _limits(network)
    sources = tuple(
        _source(network, s, hot, limit, (design, worst)) for s in range(len(budget.sources))
    )
    skin = budget.touched
    skin = skin if skin in network.nodes else network.reference
    cool = network.node_degC(design, touch_degC)[:, network.nodes.index(skin)]
    factor = _factor(network, design, limit, worst)
    rating = BranchRating(
        budget=budget,
        ambient_degC=worst,
        tested_power_W=branches.power_W,
        tested_degC=network.tested_degC,
        nodes={node: Estimate.of(hot[:, j]) for j, node in enumerate(network.nodes)},
        sources=sources,
        touched=(skin, touch_degC, Estimate.of(cool), budget.limits.case_touch_degC),
        common_factor=factor,
        power_map_W=_power_map(network, limit, worst),
        missing=tuple(_missing(budget, ambient_degC)),
    )
    if profile is not None:
        run = run_branch_profile(branches, network, profile, ambient_degC=worst, skin=skin)
        rating = replace(rating, profile=run)
        design = np.maximum(design, profile.power_W.max(axis=0))
    return replace(rating, cautions=tuple(_cautions(rating, design)))


def _limits(network: BranchNetwork) -> Array:
    """Limit of every node (nodes,), infinite where none is stated [degC]."""
    limit = np.full(len(network.nodes), np.inf)
    for source in network.budget.sources:
        if source.limit_degC is not None and source.node in network.nodes:
            at = network.nodes.index(source.node)
            limit[at] = min(limit[at], source.limit_degC)
    return limit


def _source(
    network: BranchNetwork, s: int, hot: Array, limit: Array, at: tuple[Array, float]
) -> SourceRating:
    source: Source = network.budget.sources[s]
    degC = Estimate.of(hot[:, network.nodes.index(source.node)])
    p = None
    if source.limit_degC is not None:
        p = probability_of_conformity(degC.value, degC.u, upper=source.limit_degC)
    allowable = None
    if np.isfinite(limit).any():
        allowable = Estimate.of(network.allowable_W(s, at[0], limit, at[1]))
    return SourceRating(
        name=source.name,
        node=source.node,
        power_W=source.power_W,
        degC=degC,
        limit_degC=source.limit_degC,
        p_within=p,
        decision=None if p is None else decide(p),
        allowable_power_W=allowable,
    )


def _factor(
    network: BranchNetwork, design: Array, limit: Array, ambient_degC: float
) -> Estimate | None:
    """By how much all powers may grow together until the first node reaches its limit."""
    if not np.isfinite(limit).any():
        return None

    def over(factor: Array) -> NDArray[np.bool_]:
        powers = factor[:, np.newaxis] * design
        return np.any(network.node_degC(powers, ambient_degC) > limit, axis=1)

    return Estimate.of(largest(over, DRAWS + 1, MOST))


def _power_map(network: BranchNetwork, limit: Array, ambient_degC: float) -> Array:
    """Pairs of powers (points, 2) at which a limit is reached, by the measured values [W]."""
    if len(network.budget.sources) != 2 or not np.isfinite(limit).any():
        return np.zeros((0, 2))
    most = float(network.allowable_W(0, np.zeros(2), limit, ambient_degC)[0])
    first = np.linspace(0.0, most, MAP_POINTS)
    second = [
        float(network.allowable_W(1, np.array([one, 0.0]), limit, ambient_degC)[0]) for one in first
    ]
    return np.column_stack([first, second])


def _missing(budget: Budget, stated: float | None) -> Iterator[str]:
    without = [source.name for source in budget.sources if source.limit_degC is None]
    if without:
        yield f"no limit for {', '.join(without)}: state limit_degC of the source"
    if budget.limits.case_touch_degC is None:
        yield "no touch limit: state limits.case_touch_degC"
    if stated is None and budget.conditions.ambient_max_degC is None:
        yield (
            f"no worst ambient: rated at the budget's {budget.conditions.ambient_degC:g} °C; state "
            "conditions.ambient_max_degC or --ambient"
        )


def _cautions(rating: BranchRating, design: Sequence[float] | Array) -> Iterator[str]:
    node, ambient, degC, _ = rating.touched
    hottest = max(degC.value, rating.nodes[node].value)
    if hottest > HOT_TO_TOUCH_degC:
        yield (
            f"hot surface: the {node} reaches {degC.value:z.0f} °C at {ambient:g} °C ambient and "
            f"{rating.nodes[node].value:z.0f} °C at {rating.ambient_degC:g} °C; mark it, guard it, "
            "or keep it out of reach"
        )
    for source, tested, wanted in zip(rating.sources, rating.tested_power_W, design, strict=True):
        allowed = source.allowable_power_W.value if source.allowable_power_W else 0.0
        if max(wanted, allowed) > EXTRAPOLATED_BEYOND * tested:
            yield (
                f"'{source.name}' was tested at {digits(tested)} W: what is said of "
                f"{digits(max(wanted, allowed))} W is an extrapolation; test at that power, with "
                "the guard set and a hardware cut-out, before relying on it"
            )
    yield STANDING_CAUTION
