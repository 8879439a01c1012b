"""What a record itself says of every node's rise by every source, whatever the network made of it.

A network is reciprocal: a watt at a warms b as a watt at b warms a. Its fitted curves are taken as
shapes only; each node's rise by each source, and what follows the reference's own slow rise, get
an amplitude of their own,

    T_j − T_ref = c_j + Σ_s α_js x_js(t) + β_j (T_ref(t) − T_ref(0))
                      − Σ_k b_jk (T_ref − L_k[T_ref]),

so that Z_js = α_js x_js(∞) need not be reciprocal: where it is not, a power or a thermocouple reads
wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from fit.identification.autocorrelation import inflation, lag_one
from fit.identification.tree.fitted import FittedTree
from fit.network.steady_state import resistance_matrix
from fit.records.run import Array

FREE = 1.0  # standard deviation of every amplitude before the run: anything from none to twice
NEVER_S = 1e9  # a time constant beyond any record


@dataclass(frozen=True, eq=False)
class Amplitudes:
    """Rise above the reference by each source."""

    nodes: tuple[str, ...]  # (m,) measured, above the reference
    Z_K_per_W: Array  # (m, sources)
    u_K_per_W: Array  # (m, sources) standard uncertainty by the readings' noise


def amplitudes(fitted: FittedTree) -> Amplitudes:
    """The amplitudes that a record has, by least squares, with the network's curves as shapes."""
    model, record = fitted.model, fitted.model.record
    value, _ = model(fitted.g)
    by_source = model.by_source(fitted.g)
    slow = record.filters(np.array([NEVER_S])).reference[:, 0]
    measured = model.layout.measured
    steady = resistance_matrix(fitted.network.topology, fitted.R_K_per_W)[measured]
    Z, u = np.empty_like(steady), np.empty_like(steady)
    count = steady.shape[1]
    for j in range(len(measured)):
        weight = record.weight[:, j]
        design = np.column_stack((*by_source[:, :, j], slow, np.ones(len(slow))))
        left = record.rise_K[:, j] - value[:, j]
        at, at_u = _solved(design * weight[:, np.newaxis], left * weight)
        Z[j], u[j] = steady[j] * (1 + at[:count]), np.abs(steady[j]) * at_u[:count]
    return Amplitudes(tuple(fitted.network.topology.nodes[i] for i in measured), Z, u)


def _solved(design: Array, residual: Array) -> tuple[Array, Array]:
    """Changes of the amplitudes that describe a residual best, and their standard uncertainties.

    The last column, the zero-power offset, is known to nobody; the others are of the order of one.
    """
    precision = np.full(design.shape[1], 1 / FREE**2)
    precision[-1] = 0.0
    normal = design.T @ design + np.diag(precision)
    at = np.asarray(np.linalg.solve(normal, design.T @ residual), dtype=np.float64)
    left = residual - design @ at
    present = int(np.any(design != 0, axis=1).sum())
    scale = max(float(left @ left) / max(present - design.shape[1], 1), 1.0)
    scale *= inflation(lag_one(left[:, np.newaxis]))
    variance = np.linalg.inv(normal / scale).diagonal()
    return at, np.asarray(np.sqrt(variance), dtype=np.float64)


def reciprocity(found: Amplitudes, entering: tuple[str, ...]) -> dict[tuple[int, int], float]:
    """By how many standard uncertainties Z_ab and Z_ba differ, for every pair of sources.

    Args:
        found: the record's own amplitudes.
        entering: the first measured node on each source's way; a pair is left out where that is
            not above the reference.
    """
    z = {}
    for a, b in combinations(range(len(entering)), 2):
        if entering[a] in found.nodes and entering[b] in found.nodes and entering[a] != entering[b]:
            i, j = found.nodes.index(entering[a]), found.nodes.index(entering[b])
            apart = found.Z_K_per_W[i, b] - found.Z_K_per_W[j, a]
            z[a, b] = float(apart / np.hypot(found.u_K_per_W[i, b], found.u_K_per_W[j, a]))
    return z
