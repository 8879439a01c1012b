"""Time constants of a budget: the network of its stages and leaks, with uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fit.budget.model import Array, Budget
from fit.network.modes import Modes, modes


@dataclass(frozen=True, eq=False)
class Dynamics:
    """Dynamic response of a budget's network."""

    modes: Modes
    foster_node: str  # the first node on the way of the heat that stores any
    foster_R_K_per_W: Array  # (k,) of that node
    tau_u_s: Array  # (k,) standard uncertainty of the time constants

    @property
    def tau_s(self) -> Array:
        """Time constants (k,), ascending [s]."""
        return self.modes.tau_s


def node_capacity(budget: Budget, C_J_per_K: Array) -> Array:
    """Heat capacity of each node (nodes,) from that of each stage's `from` node (stages,)."""
    start = budget.tree.ends[:, 0]
    return np.bincount(start, weights=C_J_per_K, minlength=len(budget.tree)).astype(float)


def dynamics(
    budget: Budget, R: Array, C_J_per_K: Array, ln_R_covariance: Array, relative_C_u: Array
) -> Dynamics:
    """Time constants, and the Foster network of the first node that stores heat.

    Args:
        budget: whose network it is.
        R: resistances of the stages, then of the leaks (links,) [K/W].
        C_J_per_K: heat capacity of each stage's from node (stages,), 0 where none [J/K].
        ln_R_covariance: of ln R of the stages (stages, stages).
        relative_C_u: relative standard uncertainty of each capacity (stages,).
    """
    C = node_capacity(budget, C_J_per_K)
    found = modes(budget.topology, R, C)
    way = budget.tree.path(budget.tree.sources[0])
    first = next((node for node in way[:-1] if C[budget.tree.index(node)] > 0), way[0])
    # Law of propagation (JCGM 100, 5.1.2) in logarithms.
    by_R = found.by_resistance(R)[: len(budget.stages)].T
    by_C = (found.shape[budget.tree.ends[:, 0]] ** 2 * C_J_per_K[:, np.newaxis]).T
    variance = np.einsum("ki,ij,kj->k", by_R, ln_R_covariance, by_R) + by_C**2 @ relative_C_u**2
    return Dynamics(
        modes=found,
        foster_node=first,
        foster_R_K_per_W=found.terms(first)[0] if len(found.tau_s) else found.tau_s,
        tau_u_s=found.tau_s * np.sqrt(variance),
    )
