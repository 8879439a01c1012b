"""The response of a network of lumps whose reference is a measured node.

Poles and residues are those of `fit.network.modes`: a_jk by the power, b_jk by the reference's own
temperature, e_jk of a rise left over at the start. Every sensor may lag: a further first-order pole
of its own, λ_j.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np

from fit.identification.pole_model import CellRecord
from fit.network.modes import search_modes
from fit.network.topology import Topology, chain
from fit.records.run import Array

STEP = 1e-6  # of ln R, ln C and lags, for their derivatives


@lru_cache(maxsize=64)
def _lumps(hidden: int, nodes: tuple[str, ...], reference: str) -> Topology:
    """Lumps that nobody measured, first of all, then the measured nodes on their way."""
    return chain([*(f"{nodes[0]} {i}" for i in range(hidden)), *nodes, reference])


class LadderModel:
    """The ladder's response on a reduced record and its derivatives.

    interpolated: filter by the record's table, for a search; exactly otherwise.
    """

    def __init__(self, record: CellRecord, hidden: int, interpolated: bool = False) -> None:
        self.record, self.hidden, self.interpolated = record, hidden, interpolated
        self.m = record.rise_K.shape[1]
        self.topology = _lumps(hidden, record.nodes, record.reference)
        self.lumps = len(self.topology)
        self.own = hidden + np.arange(self.m)  # ln R between measured nodes
        self.edge = record.edge_free
        self.lags = 2 * self.lumps + np.arange(self.m + 1)  # the reference's lag last
        begin = 2 * self.lumps + self.m + 1
        self.left_over = slice(begin, begin + self.lumps * record.hot_start)
        self.size = self.left_over.stop + int(self.edge)

    def capacities(self, g: Array) -> Array:
        """Heat capacities (..., n) [J/K] of ladders g (..., size).

        The hidden lump's is given by its time constant, for that is what is known of it.
        """
        ln_C = g[..., self.lumps : 2 * self.lumps]
        if self.hidden:
            ln_C = np.concatenate((ln_C[..., :1] - g[..., :1], ln_C[..., 1:]), axis=-1)
        return np.exp(ln_C)

    def poles(self, g: Array) -> tuple[Array, Array, Array, Array]:
        """ln τ of modes and lags (B, P), coefficients (B, P, m) of both inputs and of the heat
        left over at the start, of B ladders.
        """
        n, m = self.lumps, self.m
        R, C = np.exp(g[:, :n]), self.capacities(g)
        lag = g[:, self.lags]
        found = search_modes(self.topology, R, C)
        tau, phi = found.tau_s, found.shape
        modes = tau[:, :, None]
        seen = phi[:, self.hidden :].transpose(0, 2, 1)
        heated = phi[:, self.topology.source_index[0]]
        a = seen * (heated * tau)[:, :, None]
        b = seen * found.at_reference[:, :, None]
        apart = modes - lag[:, None, :m]
        apart = np.where(np.abs(apart) < 1e-4 * modes, 1e-4 * modes, apart)
        shape = modes / apart
        A, B, E = np.zeros((3, len(g), n + m, m))
        A[:, :n] = a * shape
        B[:, :n] = b * (1 - lag[:, m, None, None] / modes) * shape
        if self.left_over.stop > self.left_over.start:
            stored = np.einsum("bik,bi->bk", phi, C * g[:, self.left_over])
            E[:, :n] = seen * stored[:, :, None] * shape
        j = np.arange(m)
        A[:, n + j, j] = a.sum(axis=1) - A[:, :n].sum(axis=1)
        B[:, n + j, j] = 1 - B[:, :n].sum(axis=1)
        return np.concatenate((np.log(tau), np.log(lag[:, :m])), axis=1), A, B, E

    def __call__(self, g: Array) -> tuple[Array, Callable[[], Array]]:
        """Modelled rise (c, m), constants aside, and what gives its derivatives (c, m, size)."""
        record = self.record
        ln_tau, A, B, E = (part[0] for part in self.poles(g[None]))
        tau = np.exp(ln_tau)
        by_table = self.interpolated and record.ladder_table.reaches(tau)
        f = record.ladder_table(tau) if by_table else record.filters(tau)
        p = record.cells.power[:, None]
        U, dU = f.power, f.d_power
        growth, lag = np.exp(g[-1] / tau) if self.edge else np.ones(1), p - f.power
        if self.edge:
            U, dU = p - growth * lag, growth * (f.d_power + g[-1] / tau * lag)

        def derivatives() -> Array:
            J = np.empty((*record.rise_K.shape, self.size))
            count = self.size - int(self.edge)
            moved = self.poles(g + STEP * np.eye(self.size)[:count])
            d_ln, dA, dB, dE = (
                (beside - at) / STEP for beside, at in zip(moved, (ln_tau, A, B, E), strict=True)
            )
            inputs = np.hstack((U, dU, -f.reference, -f.d_reference, f.initial, f.d_initial))
            slower = d_ln[:, :, None]
            change = np.concatenate((dA, slower * A, dB, slower * B, dE, slower * E), axis=1)
            by_all = inputs @ change.transpose(1, 2, 0).reshape(inputs.shape[1], -1)
            J[:, :, :count] = by_all.reshape(len(U), self.m, count)
            if self.edge:
                J[:, :, -1] = (-growth / tau * lag) @ A
            return J

        return U @ A - f.reference @ B + f.initial @ E, derivatives
