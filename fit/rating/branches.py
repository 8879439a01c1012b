"""What a measured product of several parts may do: every part's power with the others at theirs.

Above the node that all heat passes the network is linear: rises add up, source by source
(superposition). From there to the air they do not: a surface that gives off more heat resists it
less. The measured resistance to air is carried over to other powers and ambients as the budget's
own surface changes,

    T_j = T_ambient + Σ_s Z_js φ_s P_s + R_air(Σ_s φ_s P_s) Σ_s φ_s P_s.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fit.assessment.decision import decide, probability_of_conformity
from fit.budget.model import Budget, Source
from fit.budget.prediction import rises_K
from fit.errors import NotIdentifiable
from fit.measurement.branches import Branches
from fit.network.steady_state import resistance_matrix
from fit.rating.rating import (
    EXTRAPOLATED_BEYOND,
    STANDING_CAUTION,
    Estimate,
    HOT_TO_TOUCH_degC,
    touched_node,
)
from fit.records.run import Array

DRAWS = 400  # of the measured resistances: an interval's ends to a tenth of its width
SEED = 20080102  # fixed: the same run rates the same every time
LEVELS = np.geomspace(0.05, 20.0, 41)  # of the tested heat, where the budget's surface is solved
ROUNDS = 60  # of bisection: the power to a part in 10^18
MOST = 100.0  # times the tested power: a limit beyond is none
MAP_POINTS = 11  # a tenth of the first power apart: the boundary between is nearly straight


@dataclass(frozen=True, eq=False)
class BranchNetwork:
    """A measured product at any powers, the measured values first and then draws of them."""

    budget: Budget
    nodes: tuple[str, ...]
    inner_K_per_W: Array  # (draws, nodes, sources) above the reference, per watt on the path
    air_K_per_W: Array  # (draws,) from the reference to ambient at the tested heat
    tested_W: float  # that heat
    tested_degC: float  # and its ambient

    def node_degC(self, power_W: Array, ambient_degC: float) -> Array:
        """Temperature of every node in steady state.

        Args:
            power_W: electrical, of each source (sources,) or in every draw (draws, sources) [W].
            ambient_degC: of the air [degC].

        Returns:
            Temperatures (draws, nodes) [degC].
        """
        path = np.atleast_2d(power_W) * self.budget.path_fraction
        heat = path.sum(axis=1)
        inner = np.einsum("dns,ds->dn", self.inner_K_per_W, np.broadcast_to(path, self._each))
        to_air = self.air_K_per_W * self._change(heat, ambient_degC) * heat
        return np.asarray(ambient_degC + inner + to_air[:, np.newaxis])

    @property
    def _each(self) -> tuple[int, int]:
        return len(self.air_K_per_W), self.inner_K_per_W.shape[2]

    def _change(self, heat_W: Array, ambient_degC: float) -> Array:
        """The budget's resistance to air at a heat and ambient, over that of the test."""
        levels, R = self._air_by_heat(ambient_degC)
        tested = np.interp(self.tested_W, *self._air_by_heat(self.tested_degC))
        return np.asarray(np.interp(np.maximum(heat_W, levels[0]), levels, R) / tested)

    def _air_by_heat(self, ambient_degC: float) -> tuple[Array, Array]:
        """Heats (k,) [W] and the budget's resistance from the reference to air at each [K/W]."""
        if ambient_degC not in self._solved:
            levels = LEVELS * self.tested_W
            shares = np.array([source.power_W for source in self.budget.sources])
            shares = shares / (shares @ self.budget.path_fraction)
            at = self.budget.tree.index(self.reference)
            rises = [rises_K(self.budget, shares * q, ambient_degC)[at] for q in levels]
            self._solved[ambient_degC] = levels, np.array(rises) / levels
        return self._solved[ambient_degC]

    @cached_property
    def _solved(self) -> dict[float, tuple[Array, Array]]:
        return {}

    @property
    def reference(self) -> str:
        """The node that all heat passes."""
        return self.nodes[-1]

    def allowable_W(
        self, source: int, others_W: Array, limit_degC: Array, ambient_degC: float
    ) -> Array:
        """Power of a source (draws,) at which the first node reaches its limit, others at theirs.

        Args:
            source: which.
            others_W: powers (sources,); that of the source itself is of no meaning [W].
            limit_degC: of every node (nodes,), infinite where there is none.
            ambient_degC: air.

        Returns:
            0 where the others alone are too much.
        """
        powers = np.tile(others_W, (len(self.air_K_per_W), 1))

        def over(power_W: Array) -> NDArray[np.bool_]:
            powers[:, source] = power_W
            return np.any(self.node_degC(powers, ambient_degC) > limit_degC, axis=1)

        return _largest(over, len(powers), MOST * self.tested_W)


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


def branch_network(branches: Branches, budget: Budget) -> BranchNetwork:
    """The measured network of a run of several sources, ready for other powers.

    Args:
        branches: as measured.
        budget: of the same product.

    Returns:
        The network with draws of its uncertainty.

    Raises:
        NotIdentifiable: the way to air was not measured, or not resolved.
    """
    spans = branches.spans
    if branches.air is None or not spans.resolved[-1]:
        raise NotIdentifiable(
            "no rating: the record does not resolve the last span, to ambient; heat longer with"
            " all sources on, until the case has settled"
        )
    random = np.random.default_rng(SEED)
    whole = branches.fitted.network.topology
    inner = spans.topology.links[:-1]
    R = np.tile(branches.fitted.R_K_per_W, (DRAWS + 1, 1))
    at = [whole.links.index(link) for link in inner]
    drawn = random.multivariate_normal(spans.R_K_per_W, spans.total_covariance, DRAWS, method="svd")
    R[1:, at] = np.maximum(drawn[:, :-1], 0.01 * spans.R_K_per_W[:-1])
    for link in np.flatnonzero(~branches.fitted.network.found):
        # At a source that nobody measured the budget's own stages stand, with their doubt.
        R[:, link] = _between(budget, *whole.links[link], random)
    above = resistance_matrix(whole, R)
    above = np.concatenate([above, np.zeros((DRAWS + 1, 1, above.shape[2]))], axis=1)
    return BranchNetwork(
        budget=budget,
        nodes=(*whole.nodes, whole.reference),
        inner_K_per_W=above,
        air_K_per_W=np.append(spans.R_K_per_W[-1], np.maximum(drawn[:, -1], 1e-3)),
        tested_W=float(branches.path_W.sum()),
        tested_degC=float(spans.final_degC[-1]),
    )


def _between(budget: Budget, node: str, onward: str, random: np.random.Generator) -> Array:
    """Draws (draws + 1,) of the budget's resistance from a node to another on its way."""
    from fit.budget import predict

    prediction = predict(budget)
    at = list(budget.joined.links_between(node, onward))
    R = float(budget.joined_resistance(prediction.R_K_per_W)[at].sum())
    slope = budget.joined_slope(prediction.R_K_per_W)[at].sum(axis=0)
    u = float(np.sqrt(slope @ prediction.R_covariance @ slope))
    return np.append(R, np.maximum(R + u * random.standard_normal(DRAWS), 0.01 * R))


def rate_branches(
    branches: Branches, budget: Budget, ambient_degC: float | None, touch_degC: float
) -> BranchRating:
    """Rate a measured product of several parts at the budget's powers.

    Args:
        branches: as measured.
        budget: powers, limits, worst ambient, and the stages not measured.
        ambient_degC: worst ambient, the budget's when None [degC].
        touch_degC: ambient for touching [degC].

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
    skin = touched_node(budget)
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

    return Estimate.of(_largest(over, DRAWS + 1, MOST))


def _largest(over: Callable[[Array], NDArray[np.bool_]], draws: int, most: float) -> Array:
    """Largest value of each draw (draws,), at most `most`, that is not over; by bisection."""
    low, high = np.zeros(draws), np.full(draws, most)
    for _ in range(ROUNDS):
        middle = 0.5 * (low + high)
        beyond = over(middle)
        low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
    return low


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
            f"hot surface: the {node} reaches {degC.value:.0f} °C at {ambient:g} °C ambient and "
            f"{rating.nodes[node].value:.0f} °C at {rating.ambient_degC:g} °C; mark it, guard it, "
            "or keep it out of reach"
        )
    for source, tested, wanted in zip(rating.sources, rating.tested_power_W, design, strict=True):
        allowed = source.allowable_power_W.value if source.allowable_power_W else 0.0
        if max(wanted, allowed) > EXTRAPOLATED_BEYOND * tested:
            yield (
                f"'{source.name}' was tested at {tested:.3g} W: what is said of "
                f"{max(wanted, allowed):.3g} W is an extrapolation; test at that power, with the "
                "guard set and a hardware cut-out, before relying on it"
            )
    yield STANDING_CAUTION
