"""Which network a budget and the nodes that were measured make.

Kept are the measured nodes, those where branches meet, and those where heat enters; what lies
between is lumped. Any two branches that meet may also exchange heat before they do, through the
board that carries both: such links are always there, for leaving them out puts pads off by tens of
per cent where a board couples its parts. The reference is the last node measured on every
source's way before ambient; what lies beyond it drops out.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from fit.budget.model import Budget, Prediction
from fit.errors import NotIdentifiable
from fit.network.topology import Array, Link, Topology

# Two islands of copper on one board: 25 K/W give or take a factor of 4.5, from two neighbours on
# the same plane to the far ends of a board. Vague on purpose; a budget's own leak says where it is.
COUPLING_K_PER_W, LN_COUPLING_SD = 25.0, 1.5
LN_LEAK_SD = 0.7  # of a leak that states no uncertainty: a factor of 2. Ours
TYPICAL_TAU_S = 20.0  # of a node whose heat capacity no budget states, to start from. Ours


@dataclass(frozen=True, eq=False)
class TreeNetwork:
    """The network above the reference, and what the budget knows of it."""

    topology: Topology  # the tree's links, then the coupling ones; one source each
    hidden: tuple[str, ...]  # nodes that nobody measured
    tree_links: int  # how many links are the tree's, in its order
    stages: tuple[tuple[int, ...], ...]  # (tree links,) the budget's stages in each
    R_K_per_W: Array  # (links,) expected
    R_u_K_per_W: Array  # (tree links,) of the budget
    ln_R_sd: Array  # (links,) standard deviation of its logarithm, infinite where it is to be found
    C_J_per_K: Array  # (nodes,) expected, 0 where the budget states none

    @property
    def chips(self) -> frozenset[str]:
        """Unmeasured sources with nothing measured above them: nothing tells how warm they are."""
        above = {node: node not in self.hidden for node in self.topology.nodes}
        tree = dict(self.topology.links[: self.tree_links])
        for node in self.topology.nodes:
            onward = node
            while above[node] and (onward := tree[onward]) != self.topology.reference:
                above[onward] = True
        return frozenset(one for one in self.topology.sources if not above[one])

    @property
    def found(self) -> NDArray[np.bool_]:
        """Whether each tree link (tree links,) is measured: it begins at none of the `chips`."""
        links = self.topology.links[: self.tree_links]
        return np.array([start not in self.chips for start, _ in links])


def measured_tree(budget: Budget, measured: tuple[str, ...]) -> tuple[tuple[str, ...], Topology]:
    """The nodes kept of a budget's tree, and the tree they make.

    Args:
        budget: the tree.
        measured: nodes with a believed reading; those the budget does not know are left out.

    Raises:
        NotIdentifiable: too few of its nodes were measured.
    """
    tree = budget.joined
    seen = [node for node in (*tree.nodes, tree.reference) if node in measured]
    if len(seen) < 2:
        raise NotIdentifiable(
            f"{len(seen)} of the budget's nodes was measured; two are needed on the way of the heat"
        )
    passed = [tree.path(node) for node in tree.sources]
    entering = {
        node: {way[way.index(node) - 1] for way in passed if node in way[1:]} for node in tree.nodes
    }
    meeting = {node for node, before in entering.items() if len(before) > 1}
    kept = [node for node in tree.nodes if node in seen or node in meeting or node in tree.sources]
    last = tree.reference if tree.reference in seen else _last_common(passed, seen)
    inside = [node for node in kept if node != last and last in tree.path(node)]
    links = [
        (node, next(n for n in tree.path(node)[1:] if n in kept or n == last)) for node in inside
    ]
    return tuple(inside), Topology(tuple(inside), tuple(links), last, tree.sources)


def _last_common(passed: list[tuple[str, ...]], seen: list[str]) -> str:
    """The measured node nearest to ambient that every source's heat passes."""
    # A source's own node is not passed: above it that heat would warm nothing.
    common = [node for node in passed[0] if node in seen and all(node in way[1:] for way in passed)]
    if not common:
        raise NotIdentifiable(
            "no measured node lies on the way of every source: measure the case, or ambient"
        )
    return common[-1]


def tree_network(
    budget: Budget, prediction: Prediction, measured: tuple[str, ...], reference: str
) -> TreeNetwork:
    """The network between the measured nodes and the reference.

    Args:
        budget: the tree with its leaks.
        prediction: of it, at the run's powers.
        measured: nodes with a believed reading, the reference with.
        reference: a measured node that every source's heat passes.

    Raises:
        NotIdentifiable: a source's heat does not pass the reference, or nothing is measured above.
    """
    _, whole = measured_tree(budget, tuple(measured))
    for node in whole.sources:
        if reference not in (way := budget.joined.path(node)) or way[0] == reference:
            raise NotIdentifiable(f"the heat put in at '{node}' does not pass '{reference}'")
    nodes = tuple(n for n in whole.nodes if n != reference and reference in whole.path(n))
    if not any(node in measured for node in nodes):
        raise NotIdentifiable(f"no node above '{reference}' was measured")
    links = [link for link in whole.links if link[0] in nodes]
    members = [budget.joined.links_between(*link) for link in links]
    group = np.zeros((len(links), len(budget.joined.links)))
    for row, one in enumerate(members):
        group[row, list(one)] = 1.0
    slope = group @ budget.joined_slope(prediction.R_K_per_W)
    R = (group @ budget.joined_resistance(prediction.R_K_per_W)).tolist()
    stages = tuple(
        tuple(int(i) for link in one for i in np.flatnonzero(budget.in_parallel[link]))
        for one in members
    )
    sd = [np.inf] * len(links)
    tree = Topology(nodes, tuple(links), reference, whole.sources)
    for pair, (value, ln_sd) in _beside(budget, tree).items():
        links.append(pair)
        R.append(value)
        sd.append(ln_sd)
    return TreeNetwork(
        topology=Topology(nodes, tuple(links), reference, whole.sources),
        hidden=tuple(node for node in nodes if node not in measured),
        tree_links=len(stages),
        stages=stages,
        R_K_per_W=np.array(R),
        R_u_K_per_W=np.sqrt(np.diag(slope @ prediction.R_covariance @ slope.T)),
        ln_R_sd=np.array(sd),
        C_J_per_K=_capacities(budget, tree, prediction.C_J_per_K),
    )


def _beside(budget: Budget, tree: Topology) -> dict[Link, tuple[float, float]]:
    """Links beside the tree: between branches that meet, and the budget's own leaks.

    Each with its expected resistance and the standard deviation of its logarithm.
    """
    found: dict[Link, tuple[float, float]] = {}
    for meeting in (*tree.nodes, tree.reference):
        entering = [start for start, end in tree.links if end == meeting]
        for pair in combinations(entering, 2):
            found[pair] = COUPLING_K_PER_W, LN_COUPLING_SD
    for leak in budget.leaks:
        pair = _kept(budget, tree, leak.node), _kept(budget, tree, leak.to_node)
        if pair[0] == pair[1]:
            continue
        stated = leak.R_u_K_per_W / leak.R_K_per_W
        ln_sd = float(np.sqrt(np.log1p(stated**2))) if stated else LN_LEAK_SD
        known = next((one for one in (pair, pair[::-1]) if one in found), pair)
        if known in found and found[known][0] != COUPLING_K_PER_W:
            # Two leaks side by side.
            found[known] = 1 / (1 / found[known][0] + 1 / leak.R_K_per_W), found[known][1]
            continue
        # What is stated is where to begin; between branches the record decides.
        found[known] = leak.R_K_per_W, LN_COUPLING_SD if known in found else ln_sd
    return found


def _kept(budget: Budget, tree: Topology, node: str) -> str:
    """The first node of the network on the way from a node of the budget, else its reference."""
    if node not in budget.joined.nodes:
        return tree.reference
    way = budget.joined.path(node)
    return next((n for n in way if n in tree.nodes), tree.reference)


def _capacities(budget: Budget, tree: Topology, C_J_per_K: Array) -> Array:
    """Heat capacity of every node: its own, and what lies between it and the next."""
    C = np.zeros(len(tree))
    for stage, value in zip(budget.stages, C_J_per_K, strict=True):
        node = _kept(budget, tree, stage.from_node)
        if node != tree.reference:
            C[tree.index(node)] += value
    return C


def starting_capacities(network: TreeNetwork, hidden_s: float) -> Array:
    """Heat capacity (nodes,) [J/K] to start a fit from: the budget's, else of a typical lump.

    hidden_s: time constant of a source that nobody measures [s].
    """
    out = network.R_K_per_W[: network.tree_links]
    starts = [start for start, _ in network.topology.links[: network.tree_links]]
    chips = network.chips
    typical = np.array(
        [
            (hidden_s if node in chips else TYPICAL_TAU_S) / out[starts.index(node)]
            for node in network.topology.nodes
        ]
    )
    return np.where(network.C_J_per_K > 0, network.C_J_per_K, typical)
