"""Time constants of a thermal network and how much of each mode every node shows.

    C dT/dt + G T = P,  G = A^T diag(1/R) A:   modes of C^-1/2 G C^-1/2 = V diag(1/tau) V^T,
    phi = C^-1/2 V

    rise of node j by one watt of source s:   sum_k a_jsk (1 - exp(-t/tau_k)),
                                              a_jsk = phi_jk phi_sk tau_k
    by the reference's own temperature:       T_j - T_ref = -sum_k b_jk (T_ref - L_k[T_ref]),
                                              b_jk = phi_jk tau_k sum_(e to reference) phi_ek / R_e
    by a rise x left over at the start:       sum_k e_jk exp(-t/tau_k),
                                              e_jk = phi_jk sum_i phi_ik C_i x_i

The matrix is never formed: the singular values of diag(1/sqrt(R)) A C^-1/2 are the roots of its
eigenvalues, so that a ratio of time constants costs only half the digits, and none for a chain,
whose factor is bidiagonal (Demmel & Kahan 1990). Nodes without capacity are taken out first and
follow the others without delay.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike

from fit.network.steady_state import Reduced, reduce_to
from fit.network.topology import Array, Topology, chain

LEAST_RATE_PER_S = 1e-12  # a rate below is zero within rounding


@dataclass(frozen=True, eq=False)
class Modes:
    """Poles and residues of a network of n nodes, K of them with capacity."""

    topology: Topology
    tau_s: Array  # (..., K), ascending (descending from `search_modes`) [s]
    shape: Array  # (..., n, K) phi: of every node in every mode [K^1/2 J^-1/2]
    at_reference: Array  # (..., K) tau_k sum of phi_ek / R_e over the links to the reference
    at_once_K_per_W: Array  # (..., n, sources) rise without delay, of nodes without capacity

    @property
    def amplitude_K_per_W(self) -> Array:
        """a_jsk (..., n, sources, K); with `at_once_K_per_W` they add up to the steady state."""
        heated = self.shape[..., self.topology.source_index, :] * self.tau_s[..., np.newaxis, :]
        return np.asarray(self.shape[..., :, np.newaxis, :] * heated[..., np.newaxis, :, :])

    def terms(self, node: str, source: int = 0) -> tuple[Array, Array]:
        """Amplitudes and time constants of one node for one source.

        The part that follows without delay, where there is any, is the first term, of time
        constant 0. At the source's own node this is its Foster network.

        Args:
            node: name of the node.
            source: place of the source among those of the topology.

        Returns:
            Amplitudes (..., K) [K/W] and time constants (..., K) [s].

        Raises:
            ValueError: no node of that name.
        """
        if node == self.topology.reference:
            return np.zeros_like(self.tau_s), self.tau_s
        j = self.topology.index(node)
        amplitude = self.amplitude_K_per_W[..., j, source, :]
        at_once = self.at_once_K_per_W[..., j, source, np.newaxis]
        if not np.any(at_once):
            return amplitude, self.tau_s
        return (
            np.concatenate([at_once, amplitude], axis=-1),
            np.concatenate([np.zeros_like(at_once), self.tau_s], axis=-1),
        )

    def by_resistance(self, R: ArrayLike) -> Array:
        """d ln tau_k / d ln R_e: the share of link e in the dissipation of mode k.

        A mode loses its heat at the rate 1/tau_k = sum_e (A phi_k)_e^2 / R_e (Rayleigh's quotient),
        which is stationary in phi: the shares are positive and add up to 1.

        Args:
            R: resistances (..., links) [K/W].

        Returns:
            The shares (..., links, K), without dimension.
        """
        drop = self.topology.incidence @ self.shape
        resistance = np.asarray(R, dtype=float)[..., np.newaxis]
        return np.asarray(drop**2 / resistance * self.tau_s[..., np.newaxis, :])


def modes(topology: Topology, R: ArrayLike, C: ArrayLike) -> Modes:
    """Poles and residues of a network, for every node and every source.

    Args:
        topology: of the network.
        R: resistances (..., links), positive [K/W].
        C: capacities (..., n), none negative; the same nodes without any in all draws [J/K].

    Returns:
        The modes, time constants ascending.

    Raises:
        ValueError: a resistance not positive, a negative capacity, the wrong number of either, a
            node that has capacity in some draws only.

    >>> pair = modes(chain(["tab", "bar", "air"]), [1.0, 2.0], [1.0, 2.0])
    >>> pair.tau_s.round(8).tolist()
    [0.62771868, 6.37228132]
    """
    capacity = _capacities(topology, C)
    stores = capacity.reshape(-1, len(topology)) > 0
    if (stores != stores[0]).any():
        raise ValueError("a node has capacity in some draws and none in others")
    left = reduce_to(topology, R, stores[0])
    root = np.sqrt(capacity[..., left.kept])
    rate_root, vectors = _singular(left, root)
    shape = left.follow @ (np.swapaxes(vectors, -1, -2) / root[..., np.newaxis])
    lost = left.conductance[..., :-1, -1] / root
    tau = 1.0 / rate_root**2
    return Modes(
        topology=topology,
        tau_s=tau,
        shape=shape,
        at_reference=tau * (vectors @ lost[..., np.newaxis])[..., 0],
        at_once_K_per_W=left.at_once,
    )


def search_modes(topology: Topology, R: Array, C: Array) -> Modes:
    """`modes` for the inner loop of a search, five times as fast and not as exact.

    From the eigenvalues of C^-1/2 G C^-1/2 itself: the fastest mode's rate is right to all digits,
    slower ones lose as many as they are slower by. Every node has capacity; nothing is checked.

    Args:
        topology: of the network.
        R: resistances (B, links) [K/W].
        C: capacities (B, n) [J/K].

    Returns:
        The modes, time constants descending.
    """
    root = np.sqrt(C)
    symmetric = topology.conductance_matrix(R) / (root[:, :, np.newaxis] * root[:, np.newaxis, :])
    rate, vectors = np.linalg.eigh(symmetric)
    shape = vectors / root[:, :, np.newaxis]
    tau = 1 / np.maximum(rate, LEAST_RATE_PER_S)
    at_reference = np.zeros_like(tau)
    for link, node in topology.at_reference:
        at_reference += shape[:, node] * tau / R[:, [link]]
    return Modes(
        topology=topology,
        tau_s=tau,
        shape=shape,
        at_reference=at_reference,
        at_once_K_per_W=np.zeros((*shape.shape[:2], 0)),
    )


def ladder_poles(R: ArrayLike, C: ArrayLike, node: int = 0) -> tuple[Array, Array]:
    """Amplitudes and time constants of one node of a ladder heated at node 0.

    The rise of node j for one watt is sum_k a_jk (1 - exp(-t / tau_k)). Only node 0 has all
    amplitudes positive; downstream some are negative, for heat arrives there with a delay. Where
    nodes without capacity lie at the source the instant part of the rise is the first term, with
    time constant 0.

    Args:
        R: resistances (n,), heat source first, all positive [K/W].
        C: capacities (n,), none negative [J/K].
        node: which node, 0 the heated one, n the reference (always at zero).

    Returns:
        Amplitudes [K/W] and time constants [s], ascending in time constant. The amplitudes add up
        to the resistance between the node and the reference.

    Raises:
        ValueError: a resistance not positive, a negative capacity, a node that does not exist.

    >>> R, tau_s = ladder_poles([1.0, 2.0], [1.0, 2.0])
    >>> R.round(6).tolist(), tau_s.round(6).tolist()
    ([0.368495, 2.631505], [0.627719, 6.372281])
    """
    ladder = chain([*map(str, range(np.size(R))), str(np.size(R))])
    if not 0 <= node <= len(ladder):
        raise ValueError(f"node {node} does not exist; the ladder has nodes 0 to {len(ladder)}")
    return modes(ladder, np.atleast_1d(R), np.atleast_1d(C)).terms(str(node))


def _capacities(topology: Topology, C: ArrayLike) -> Array:
    capacity = np.asarray(C, dtype=float)
    if capacity.shape[-1:] != (len(topology),):
        raise ValueError(
            f"{capacity.shape[-1] if capacity.ndim else 1} capacities for {len(topology)} nodes; "
            "there must be one for each"
        )
    if not (np.isfinite(capacity).all() and (capacity >= 0).all()):
        raise ValueError("a capacity is negative or not finite; it must be 0 or more")
    return capacity


def _singular(left: Reduced, root: Array) -> tuple[Array, Array]:
    """Roots of the rates (..., K), descending, and their vectors, one a row (..., K, k)."""
    k = len(left.kept)
    if k == 0:
        return np.zeros(0), np.zeros((0, 0))
    joined = (left.conductance != 0).reshape(-1, k + 1, k + 1).any(axis=0)
    # In this order the factor of a chain is bidiagonal.
    pairs = [pair for pair in combinations(range(k + 1), 2) if joined[pair]]
    draws = np.broadcast_shapes(left.conductance.shape[:-2], root.shape[:-1])
    factor = np.zeros((*draws, len(pairs), k))
    for row, (i, j) in enumerate(pairs):
        flow = np.sqrt(left.conductance[..., i, j])
        factor[..., row, i] = flow / root[..., i]
        if j < k:
            factor[..., row, j] = -flow / root[..., j]
    return np.linalg.svd(factor, full_matrices=False)[1:]
