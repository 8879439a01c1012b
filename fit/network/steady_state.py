"""A thermal network in steady state: rises, heat through each link, nodes without capacity.

All of it is one elimination. A node b without capacity passes on the heat it receives in
proportion to the conductances g_bj of its links: eliminating it joins its neighbours by
g_ib g_bj / sum_j g_bj, the star-mesh transformation (Rosen 1924), which is a step of Gaussian
elimination on G. No subtraction is involved, so every result is accurate to almost the last digit,
whatever the ratio of the resistances (Grassmann, Taksar & Heyman 1985).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fit.network.topology import Array, Topology

Drop = Callable[[Array], Array]
"""Heat through a link (...) [W] -> temperature difference over it (...) [K]."""

ROUNDS = 60  # each leaves a fifth of the error or less: a surface's R goes as its heat^-0.2
AGREEMENT = 1e-9  # relative, of the heat through a link from one round to the next
LEAST_HEAT_W = 1e-3  # below, a drop is taken as proportional to its heat: no measurable rise


@dataclass(frozen=True, eq=False)
class Reduced:
    """A network without some of its nodes: T = follow @ T_kept + at_once @ P."""

    kept: NDArray[np.intp]  # (k,) places of the nodes left
    conductance: Array  # (..., k + 1, k + 1) between them and, last, the reference [W/K]
    follow: Array  # (..., n, k) rise of every node per kelvin of each node kept
    at_once: Array  # (..., n, sources) rise by the sources with the nodes kept held at zero [K/W]


@dataclass(frozen=True, eq=False)
class SteadyState:
    """A network in steady state under given powers."""

    rise_K: Array  # (..., n) of every node above the reference
    flow_W: Array  # (..., links) from a link's `from` to its `to`
    R_K_per_W: Array  # (..., links) drop over heat


def reduce_to(topology: Topology, R: ArrayLike, kept: ArrayLike) -> Reduced:
    """Take all nodes out of a network but some, exactly.

    Args:
        topology: of the network.
        R: resistances (..., links), positive, infinite where a link is open [K/W].
        kept: which nodes are kept (n,), true or false.

    Returns:
        The network between the nodes kept, and how the others follow them.

    Raises:
        ValueError: a resistance that is not positive, or too few of them; a node taken out from
            which every link is open.

    A node taken out of a chain leaves its two resistances in series:

    >>> from fit.network.topology import chain
    >>> reduced = reduce_to(chain(["tab", "bar", "air"]), [2.0, 3.0], [True, False])
    >>> float(1 / reduced.conductance[0, 1])
    5.0
    """
    n, sources = len(topology), len(topology.sources)
    stays = np.asarray(kept, dtype=bool)
    order = np.concatenate([np.flatnonzero(~stays), np.flatnonzero(stays), [n]])
    place, out = np.argsort(order), n - int(stays.sum())
    # Nodes to be taken out come first; the draws come last, for the work is along them.
    g, joined = _between(topology, _checked(topology, R), place)
    draws = g.shape[2:]
    entering = np.zeros((n + 1, sources, *draws))
    entering[place[topology.source_index], np.arange(sources)] = 1.0
    passed_on: list[tuple[NDArray[np.intp], Array, Array]] = []
    for b in range(out):
        to = b + 1 + np.flatnonzero(joined[b, b + 1 :])
        total = g[b, to].sum(axis=0)
        if not (total > 0).all():
            raise ValueError(f"every way from '{topology.nodes[order[b]]}' is open: no heat leaves")
        share = g[b, to] / total
        passed_on.append((to, share, entering[b] / total))
        entering[to] += share[:, np.newaxis] * entering[b]
        for i, j in combinations(range(len(to)), 2):
            g[to[i], to[j]] += share[i] * g[b, to[j]]
            g[to[j], to[i]] = g[to[i], to[j]]
            joined[to[i], to[j]] = joined[to[j], to[i]] = True
    rise = np.zeros((n + 1, n - out + sources, *draws))
    rise[out:n, : n - out] = np.eye(n - out).reshape(n - out, n - out, *(1 for _ in draws))
    for b in reversed(range(out)):
        to, share, own = passed_on[b]
        rise[b] = (share[:, np.newaxis] * rise[to]).sum(axis=0)
        rise[b, n - out :] += own
    rise = np.moveaxis(rise[place[:n]], (0, 1), (-2, -1))
    return Reduced(
        kept=np.flatnonzero(stays),
        conductance=np.moveaxis(g[out:, out:], (0, 1), (-2, -1)),
        follow=rise[..., : n - out],
        at_once=rise[..., n - out :],
    )


def resistance_matrix(topology: Topology, R: ArrayLike) -> Array:
    """Rise of every node for one watt of each source in steady state.

    Reciprocal: the rise at b for a watt at a is that at a for a watt at b.

    Args:
        topology: of the network.
        R: resistances (..., links) [K/W].

    Returns:
        Transfer resistances (..., n, sources) [K/W].

    Raises:
        ValueError: a resistance that is not positive, or too few of them.

    >>> from fit.network.topology import chain
    >>> resistance_matrix(chain(["tab", "bar", "air"]), [2.0, 3.0]).tolist()
    [[5.0], [3.0]]
    """
    return reduce_to(topology, R, np.zeros(len(topology))).at_once


def heat_flow(topology: Topology, R: ArrayLike, rise_K: Array) -> Array:
    """Heat through every link, q = (A T) / R.

    Args:
        topology: of the network.
        R: resistances (..., links) [K/W].
        rise_K: of every node above the reference (..., n) [K].

    Returns:
        Heat from each link's `from` to its `to` (..., links) [W].

    >>> from fit.network.topology import chain
    >>> heat_flow(chain(["tab", "bar", "air"]), [2.0, 3.0], np.array([20.0, 12.0])).tolist()
    [4.0, 4.0]
    """
    return np.asarray(rise_K @ topology.incidence.T / np.asarray(R, dtype=float))


def steady_state(
    topology: Topology,
    R: ArrayLike,
    power_W: ArrayLike,
    drops: Mapping[int, Drop] | None = None,
) -> SteadyState:
    """A network in steady state, links included whose resistance depends on the heat through them.

    Such a link (natural convection and radiation of a surface) is given the resistance drop(q) / q
    at the heat q found for it, until q no longer changes. As drop goes nearly as q^0.8, a round
    leaves a fifth of the error or less, and none where all of the heat takes this link.

    Args:
        topology: of the network.
        R: resistances (..., links); of no meaning for those in `drops` [K/W].
        power_W: heat of each source (..., sources), none negative [W].
        drops: for some links (by place), the temperature difference [K] as a function of heat [W].

    Returns:
        Rises, heat through the links, and their resistances.

    Raises:
        ValueError: a resistance that is not positive, a number of powers that is not that of the
            sources.

    >>> from fit.network.topology import chain
    >>> path = chain(["tab", "bar", "air"])
    >>> rest = steady_state(path, [2.0, 1.0], [4.0], {1: lambda heat_W: 6 * heat_W**0.5})
    >>> rest.rise_K.round(6).tolist(), rest.R_K_per_W.round(6).tolist()
    ([20.0, 12.0], [2.0, 3.0])
    """
    power = np.asarray(power_W, dtype=float)
    if power.shape[-1:] != (len(topology.sources),):
        raise ValueError(
            f"{power.shape[-1] if power.ndim else 1} powers for {len(topology.sources)} sources; "
            "there must be one for each"
        )
    given = np.array(R, dtype=float)
    shape = np.broadcast_shapes(given.shape[:-1], power.shape[:-1])
    resistance = np.array(np.broadcast_to(given, (*shape, given.shape[-1])))
    total = np.broadcast_to(power.sum(axis=-1), shape)
    bent = dict(drops or {})
    flow = dict.fromkeys(bent, total)
    for _ in range(ROUNDS):
        for link, drop in bent.items():
            resistance[..., link] = _secant(drop, flow[link])
        rise = _rise(topology, resistance, power)
        before = flow
        flow = {i: rise @ topology.incidence[i] / resistance[..., i] for i in bent}
        if all(np.all(np.abs(flow[i] - before[i]) <= AGREEMENT * total) for i in bent):
            break
    through = _balanced(topology, heat_flow(topology, resistance, rise), power)
    return SteadyState(rise, through, resistance)


def _rise(topology: Topology, R: Array, power: Array) -> Array:
    return np.asarray(np.einsum("...ns,...s->...n", resistance_matrix(topology, R), power))


def _balanced(topology: Topology, flow_W: Array, power_W: Array) -> Array:
    """Heat through every link, once more from what each node gains and loses.

    A small drop over a small resistance has lost digits, and its heat with it. Links outside the
    spanning tree keep the heat found for them; those of the tree carry the rest by the balance of
    each node, which is exact where there are no others.
    """
    beside = np.ones(len(topology.links))
    beside[list(topology.spanning_tree)] = 0.0
    kept = flow_W * beside
    gained = power_W @ topology.entry.T - kept @ topology.incidence
    return np.asarray(kept + gained @ topology.ways)


def _secant(drop: Drop, flow_W: Array) -> Array:
    heat = np.maximum(flow_W, LEAST_HEAT_W)
    return drop(heat) / heat


def _checked(topology: Topology, R: ArrayLike) -> Array:
    resistance = np.asarray(R, dtype=float)
    if resistance.shape[-1:] != (len(topology.links),):
        raise ValueError(
            f"{resistance.shape[-1] if resistance.ndim else 1} resistances for "
            f"{len(topology.links)} links; there must be one for each"
        )
    if not (resistance > 0).all():
        raise ValueError("a resistance is not positive; every link needs one above 0")
    return resistance


def _between(
    topology: Topology, R: Array, place: NDArray[np.intp]
) -> tuple[Array, NDArray[np.bool_]]:
    """Conductance between any two nodes put in their places (n + 1, n + 1, ...) [W/K].

    And whether anything joins them (n + 1, n + 1).
    """
    size = len(topology) + 1
    g, joined = np.zeros((size, size, *R.shape[:-1])), np.zeros((size, size), dtype=bool)
    for link, (i, j) in enumerate(place[topology.ends]):
        g[i, j] += 1 / R[..., link]
        g[j, i] = g[i, j]
        joined[i, j] = joined[j, i] = True
    return g, joined
