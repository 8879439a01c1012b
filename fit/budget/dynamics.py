"""Time constants of a budget: the ladder of its stages, with side leaks, and how sure they are."""

from __future__ import annotations

import numpy as np

from fit.budget.model import Array
from fit.network.modes import ladder_poles

STEP = 1e-3  # relative change of an input, for the sensitivities


def network(R: Array, C: Array, leak: Array) -> tuple[int, Array, Array]:
    """Foster network of the first node that stores heat, heated at node 0.

    Args:
        R: own resistance of each stage (n,) [K/W].
        C: heat capacity of each stage's from node (n,), 0 where none [J/K].
        leak: conductance from each of these nodes to ambient beside the path (n,) [W/K].

    Returns:
        Index of the node, amplitudes (k,) [K/W] and time constants (k,) [s], ascending; both are
        empty where no node stores heat.
    """
    stored = np.flatnonzero(C > 0)
    if not len(stored):
        return 0, np.array([]), np.array([])
    first = int(stored[0])
    if leak.any():
        return first, *_leaky(R, C, leak)
    amplitudes, tau = ladder_poles(R[first:], C[first:])
    order = np.argsort(tau)
    return first, np.asarray(amplitudes)[order], np.asarray(tau)[order]


def time_constants_u(
    R: Array, C: Array, leak: Array, ln_R_covariance: Array, relative_C_u: Array
) -> Array:
    """Standard uncertainty of each time constant (k,) [s].

    Law of propagation (JCGM 100, 5.1.2) in logarithms, sensitivities by small changes of each
    input: the time constants of a ladder go nearly as products of powers of its R and C.

    Args:
        R, C, leak: as for `network`.
        ln_R_covariance: covariance (n, n) of ln R.
        relative_C_u: relative standard uncertainty of each capacity (n,).
    """
    tau = network(R, C, leak)[2]
    if not len(tau):
        return tau
    by_R, by_C = np.empty((len(tau), len(R))), np.empty((len(tau), len(C)))
    for i in range(len(R)):
        change = 1 + STEP * (np.arange(len(R)) == i)
        by_R[:, i] = np.log(network(R * change, C, leak)[2] / tau) / np.log1p(STEP)
        by_C[:, i] = np.log(network(R, C * change, leak)[2] / tau) / np.log1p(STEP)
    variance = np.einsum("ki,ij,kj->k", by_R, ln_R_covariance, by_R)
    return np.asarray(tau * np.sqrt(variance + by_C**2 @ relative_C_u**2))


def _leaky(R: Array, C: Array, leak: Array) -> tuple[Array, Array]:
    """Amplitudes and time constants of the first node that stores heat, in a ladder with leaks.

    C dT/dt + K T = b P. Nodes without capacity are eliminated (Schur complement); what is left is
    symmetric after scaling by C^-1/2.
    """
    G = 1 / R
    K = np.diag(G + leak + np.append(0.0, G[:-1])) - np.diag(G[:-1], 1) - np.diag(G[:-1], -1)
    entry = (np.arange(len(R)) == 0).astype(float)
    kept, bare = np.flatnonzero(C > 0), np.flatnonzero(C == 0)
    passed_on = -np.linalg.solve(K[np.ix_(bare, bare)], K[np.ix_(bare, kept)]).T
    reduced = K[np.ix_(kept, kept)] + passed_on @ K[np.ix_(bare, kept)]
    scale = 1 / np.sqrt(C[kept])
    rate, shape = np.linalg.eigh(scale[:, None] * reduced * scale)
    heating = shape.T @ (scale * (entry[kept] + passed_on @ entry[bare]))
    amplitudes, tau = scale[0] * shape[0] * heating / rate, 1 / rate
    return amplitudes[::-1], tau[::-1]
