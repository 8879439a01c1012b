"""The shape of a thermal network: its nodes, what joins them, where heat enters.

A network has n nodes and a reference (ambient, or a measured node) at rise zero. Links are thermal
resistances between any two of them: the stages of a heat path, stages side by side, leaks. Each
source puts its heat in at one node. What has values is kept apart from the shape: resistances
`R (..., links)` and capacities `C (..., n)` are arrays, so that thousands of draws of a budget, or
all steps of a derivative, are one call.

With A the incidence matrix, one row a link, +1 where it begins and -1 where it ends, the reference
left out:

    heat through the links  q = diag(1/R) A T            balance of the nodes  C dT/dt + A^T q = P
    conductance matrix      G = A^T diag(1/R) A

(Strang, Introduction to Applied Mathematics, 1986, ch. 2).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Link = tuple[str, str]


@dataclass(frozen=True)
class Topology:
    """Nodes, links, sources and the reference of a thermal network.

    Matrices are defined for any graph. A heat path is a tree, in which each node has one way out,
    along its links from `from` to `to`, and every way ends at the reference; links with the same
    two ends are in parallel. `path` and everything that uses it needs a tree.

    Raises:
        ValueError: two nodes of one name, a link or a source at no node, a link from a node to
            itself, a source at the reference, nodes from which no heat can leave.

    >>> bar = Topology(("tab", "bar"), (("tab", "bar"), ("bar", "air")), "air", ("tab",))
    >>> bar.incidence.tolist()
    [[1.0, -1.0], [0.0, 1.0]]
    >>> bar.path("tab")
    ('tab', 'bar', 'air')
    """

    nodes: tuple[str, ...]  # without the reference
    links: tuple[Link, ...]  # (from, to)
    reference: str = "ambient"
    sources: tuple[str, ...] = ()  # the node where each source's heat enters

    def __post_init__(self) -> None:
        known = (*self.nodes, self.reference)
        if twice := [node for node in self.nodes if known.count(node) > 1]:
            raise ValueError(f"'{twice[0]}' names two nodes of the network; each needs its own")
        for start, end in self.links:
            if missing := [node for node in (start, end) if node not in known]:
                raise ValueError(f"a link ends at '{missing[0]}', which is no node of the network")
            if start == end:
                raise ValueError(f"a link leads from '{start}' to itself; it must join two nodes")
        for node in self.sources:
            if node == self.reference:
                raise ValueError(f"a source at the reference '{node}' heats nothing")
            if node not in known:
                raise ValueError(f"a source heats '{node}', which is no node of the network")
        reached = self._reached()
        if island := [node for node in self.nodes if node not in reached]:
            raise ValueError(
                f"no link joins {_listed(island)} to '{self.reference}': heat put in there "
                "could not leave"
            )

    def _reached(self) -> set[str]:
        """The reference and every node that links join to it."""
        reached, before = {self.reference}, 0
        while len(reached) > before:
            before = len(reached)
            reached |= {node for link in self.links if reached & set(link) for node in link}
        return reached

    def __len__(self) -> int:
        return len(self.nodes)

    def index(self, node: str) -> int:
        """Place of a node among `nodes`.

        Args:
            node: name of a node or of the reference.

        Returns:
            Its place; that of the reference is n.

        Raises:
            ValueError: no node of that name.
        """
        return (*self.nodes, self.reference).index(node)

    @cached_property
    def ends(self) -> NDArray[np.intp]:
        """Places of both ends of every link (links, 2); that of the reference is n."""
        pairs = [[self.index(start), self.index(end)] for start, end in self.links]
        return np.array(pairs, dtype=np.intp).reshape(-1, 2)

    @cached_property
    def source_index(self) -> NDArray[np.intp]:
        """Place of each source's node (sources,)."""
        return np.array([self.index(node) for node in self.sources], dtype=np.intp)

    @cached_property
    def entry(self) -> Array:
        """1 where a source's heat enters (n, sources)."""
        return np.eye(len(self))[:, self.source_index]

    @cached_property
    def incidence(self) -> Array:
        """A (links, n): +1 where a link begins, -1 where it ends, the reference left out."""
        return self.full_incidence[:, :-1]

    @cached_property
    def full_incidence(self) -> Array:
        """The same with the reference last (links, n + 1)."""
        unit = np.eye(len(self) + 1)
        return unit[self.ends[:, 0]] - unit[self.ends[:, 1]]

    @cached_property
    def at_reference(self) -> tuple[tuple[int, int], ...]:
        """Each link that joins a node to the reference, with the place of that node."""
        n = len(self)
        return tuple((link, int(min(pair))) for link, pair in enumerate(self.ends) if n in pair)

    @cached_property
    def _patterns(self) -> Array:
        """Contribution of a unit conductance in each link to the matrix G (links, n * n)."""
        outer = self.incidence[:, :, np.newaxis] * self.incidence[:, np.newaxis, :]
        return outer.reshape(len(self.links), -1)

    def conductance_matrix(self, R: Array) -> Array:
        """G = A^T diag(1/R) A.

        Args:
            R: resistances (..., links), infinite where a link is open [K/W].

        Returns:
            Conductance matrix (..., n, n) [W/K].

        >>> chain(["tab", "bar", "air"]).conductance_matrix(np.array([2.0, 4.0])).tolist()
        [[0.5, -0.5], [-0.5, 0.75]]
        """
        n = len(self)
        return np.asarray(((1 / R) @ self._patterns).reshape(*R.shape[:-1], n, n))

    @cached_property
    def spanning_tree(self) -> tuple[int, ...]:
        """One link for each node that together join all to the reference: the first that do."""
        group = list(range(len(self) + 1))
        chosen = []
        for link, (i, j) in enumerate(self.ends):
            if group[i] != group[j]:
                chosen.append(link)
                group = [group[j] if one == group[i] else one for one in group]
        return tuple(chosen)

    @cached_property
    def ways(self) -> Array:
        """Path of a watt from each node to the reference through the spanning tree (n, links).

        1 where it passes a link from `from` to `to`, -1 where the other way.
        """
        matrix, tree = np.zeros((len(self), len(self.links))), list(self.spanning_tree)
        matrix[:, tree] = np.rint(np.linalg.inv(self.incidence[tree]))
        return matrix

    def with_links(self, links: Sequence[Link]) -> Topology:
        """The same network with further links.

        Args:
            links: to be added after the present ones, each (from, to).

        Returns:
            The larger network.
        """
        return Topology(self.nodes, (*self.links, *links), self.reference, self.sources)

    @cached_property
    def _onward(self) -> Mapping[str, str]:
        """Each node's one way out. Raises ValueError where the network is no tree."""
        onward: dict[str, str] = {}
        for start, end in self.links:
            if start == self.reference:
                raise ValueError(f"a link leads from the reference '{start}'; heat ends there")
            if onward.setdefault(start, end) != end:
                raise ValueError(
                    f"'{start}' has two ways out, to '{onward[start]}' and to '{end}'; "
                    "in a tree each node has one"
                )
        # Every node is joined to the reference, so with one way out of each there is no circle.
        return onward

    def path(self, node: str, to: str | None = None) -> tuple[str, ...]:
        """Nodes on the way from a node to the reference, or to a node on that way.

        Args:
            node: where the way begins.
            to: where it ends; the reference when None.

        Returns:
            The nodes in their order, both ends included.

        Raises:
            ValueError: the network is no tree, or `to` is not on the way.
        """
        end = self.reference if to is None else to
        way = [node]
        while way[-1] != end:
            if way[-1] == self.reference:
                raise ValueError(f"the way from '{node}' does not pass '{end}'")
            if way[-1] not in self.nodes:
                raise ValueError(f"'{node}' is no node of the network")
            way.append(self._onward[way[-1]])
        return tuple(way)

    def links_between(self, node: str, to: str | None = None) -> tuple[int, ...]:
        """The links on the way from a node to another, parallel ones included.

        Args:
            node: where the way begins.
            to: where it ends; the reference when None.

        Returns:
            Places of the links, ascending.

        Raises:
            ValueError: the network is no tree, or `to` is not on the way.
        """
        steps = set(pairwise(self.path(node, to)))
        return tuple(i for i, link in enumerate(self.links) if link in steps)

    @cached_property
    def paths(self) -> Array:
        """1 where a link lies on the way from a node to the reference (n, links).

        The inverse of the incidence matrix: with one source a node's resistance to the reference
        is `paths @ R`, with heat q through the links the rises are `paths @ (R q)`.

        Raises:
            ValueError: the network is no tree, or has parallel links.
        """
        for i, link in enumerate(self.links):
            if link in self.links[:i]:
                raise ValueError(f"two links lead from '{link[0]}' to '{link[1]}'; join them first")
        _ = self._onward
        return self.ways

    def summed(self, values: Array) -> Array:
        """Values of the links added up on the way from each node to the reference.

        Of resistances: each node's own to the reference. Of drops: its rise. The sum begins at the
        reference. A tree without parallel links.

        Args:
            values: one for each link (..., links).

        Returns:
            The sums (..., n), in the unit of the values.

        Raises:
            ValueError: the network is no tree, or has parallel links.

        >>> chain(["tab", "bar", "air"]).summed(np.array([2.0, 3.0])).tolist()
        [5.0, 3.0]
        """
        _ = self.paths
        out = {start: link for link, (start, _) in enumerate(self.links)}
        total = np.zeros((*np.shape(values)[:-1], len(self) + 1))
        for node in sorted(self.nodes, key=lambda node: len(self.path(node))):
            beyond = self.index(self._onward[node])
            total[..., self.index(node)] = total[..., beyond] + values[..., out[node]]
        return total[..., :-1]

    @cached_property
    def meeting(self) -> NDArray[np.intp]:
        """Place of the node where the ways from any two nodes meet (n, n), n for the reference."""
        ways = [self.path(node) for node in self.nodes]
        meet = [[next(node for node in a if node in b) for b in ways] for a in ways]
        return np.array([[self.index(node) for node in row] for row in meet], dtype=np.intp)

    @cached_property
    def carried(self) -> Array:
        """1 where a source's heat passes a link (links, sources); a tree without parallel links."""
        return self.paths[self.source_index].T

    def upstream(self, node: str) -> tuple[str, ...]:
        """Nodes whose heat passes a node on its way out, the node itself included; needs a tree.

        Args:
            node: name of the node.

        Returns:
            The nodes, in the network's order.

        Raises:
            ValueError: the network is no tree.

        >>> chain(["tab", "bar", "air"]).upstream("bar")
        ('tab', 'bar')
        """
        return tuple(other for other in self.nodes if node in self.path(other))


def chain(nodes: Sequence[str]) -> Topology:
    """A heat path with one branch: heat enters at the first node, the last is the reference.

    Args:
        nodes: names in order of the path, two at least.

    Returns:
        The network, with one source at its first node.

    >>> chain(["tab", "bar", "air"]).links
    (('tab', 'bar'), ('bar', 'air'))
    """
    *inner, reference = nodes
    return Topology(tuple(inner), tuple(pairwise(nodes)), reference, (*inner[:1],))


def _listed(names: Sequence[str]) -> str:
    return ", ".join(f"'{name}'" for name in names)
