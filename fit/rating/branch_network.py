"""A measured product of several parts at any powers: temperatures at rest, and their uncertainty.

Above the node that all heat passes the network is linear: rises add up, source by source
(superposition). From there to the air they do not: a surface that gives off more heat resists it
less. The measured resistance to air is carried over to other powers and ambients as the budget's
own surface changes,

    T_j = T_ambient + Σ_s Z_js φ_s P_s + R_air(Σ_s φ_s P_s) Σ_s φ_s P_s.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fit.budget.model import Budget
from fit.budget.prediction import rises_K
from fit.errors import NotIdentifiable
from fit.measurement.branches import Branches
from fit.network.steady_state import resistance_matrix
from fit.records.run import Array

DRAWS = 400  # of the measured resistances: an interval's ends to a tenth of its width
SEED = 20080102  # fixed: the same run rates the same every time
LEVELS = np.geomspace(0.05, 20.0, 41)  # of the tested heat, where the budget's surface is solved
ROUNDS = 60  # of bisection: the power to a part in 10^18
MOST = 100.0  # times the tested power: a limit beyond is none


@dataclass(frozen=True, eq=False)
class BranchNetwork:
    """A measured product at any powers, the measured values first and then draws of them."""

    budget: Budget
    nodes: tuple[str, ...]
    links_K_per_W: Array  # (draws, links) of the network above the reference
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

    def air_rise_K(self, heat_W: Array, ambient_degC: float) -> Array:
        """Rise of the reference above ambient, settled at heats on the path, as measured.

        Args:
            heat_W: of all sources (n,) [W].
            ambient_degC: of the air [degC].

        Returns:
            Rises (n,) [K].
        """
        return np.asarray(self.air_K_per_W[0] * self._change(heat_W, ambient_degC) * heat_W)

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

        return largest(over, len(powers), MOST * self.tested_W)


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
    R = np.tile(branches.network.R_K_per_W, (DRAWS + 1, 1))
    at = [whole.links.index(link) for link in inner]
    drawn = random.multivariate_normal(spans.R_K_per_W, spans.total_covariance, DRAWS, method="svd")
    R[1:, at] = np.maximum(drawn[:, :-1], 0.01 * spans.R_K_per_W[:-1])
    unknown = np.flatnonzero(~branches.fitted.network.found)
    for link in (one for one in unknown if one not in at):
        # At a source that nobody measured the budget's own stages stand, with their doubt.
        R[:, link] = _between(budget, *whole.links[link], random)
    above = resistance_matrix(whole, R)
    above = np.concatenate([above, np.zeros((DRAWS + 1, 1, above.shape[2]))], axis=1)
    return BranchNetwork(
        budget=budget,
        nodes=(*whole.nodes, whole.reference),
        links_K_per_W=R,
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


def largest(over: Callable[[Array], NDArray[np.bool_]], draws: int, most: float) -> Array:
    """Largest value of each draw that is not over, by bisection.

    Args:
        over: whether a value is too much in each draw (draws,).
        draws: how many.
        most: what is looked at at most.

    Returns:
        Values (draws,), 0 where nothing is allowed.
    """
    low, high = np.zeros(draws), np.full(draws, most)
    for _ in range(ROUNDS):
        middle = 0.5 * (low + high)
        beyond = over(middle)
        low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
    return low
