"""The response of a tree of lumps to several sources and to its reference's own temperature.

    T_j − T_ref = c_j + Σ_s Σ_k a_jsk L_k[P_s] − Σ_k b_jk (T_ref − L_k[T_ref])
                      + Σ_k e_jk exp(−(t − t_0)/τ_k),        a_jsk = φ_jk φ_sk τ_k

Poles and residues are those of `fit.network.modes`; one amplitude for each source, all of one
network, so that reciprocity (a_jsk = a_sjk) comes of itself. Every sensor may lag by a pole of its
own.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from fit.identification.ladder.layout import ParameterLayout
from fit.identification.ladder.model import LEAST_APART, STEP
from fit.identification.ladder.settings import SETTINGS, SearchSettings
from fit.identification.tree.record import SourceRecord
from fit.network.modes import search_modes
from fit.records.run import Array


class TreeModel:
    """The response on a record's cells, and its derivatives by the parameters of `layout`."""

    def __init__(
        self,
        sources: SourceRecord,
        layout: ParameterLayout,
        settings: SearchSettings = SETTINGS,
    ) -> None:
        self.sources, self.layout, self.settings = sources, layout, settings
        self.record = sources.cells
        self.m = self.record.rise_K.shape[1]

    def poles(self, g: Array) -> tuple[Array, Array, Array, Array]:
        """ln τ of modes and lags (B, P), of B networks; coefficients of the sources (B, S, P, m),
        of the reference and of the heat left over at the start (B, P, m).
        """
        layout, m = self.layout, self.m
        topology, n = layout.topology, len(layout.topology)
        R, C, lag = layout.resistance(g), layout.capacity(g), g[:, layout.lags]
        found = search_modes(topology, R, C)
        tau, phi = found.tau_s, found.shape
        modes = tau[:, :, np.newaxis]
        seen = phi[:, layout.measured].transpose(0, 2, 1)
        heated = phi[:, topology.source_index] * tau[:, np.newaxis]
        a = seen[:, np.newaxis] * heated[..., np.newaxis]
        b = seen * found.at_reference[:, :, np.newaxis]
        apart = modes - lag[:, np.newaxis, :m]
        least = LEAST_APART * modes
        apart = np.where(np.abs(apart) < least, least, apart)
        shape = modes / apart
        A = np.zeros((len(g), len(topology.sources), n + m, m))
        B, E = np.zeros((2, len(g), n + m, m))
        A[:, :, :n] = a * shape[:, np.newaxis]
        B[:, :n] = b * (1 - lag[:, m, np.newaxis, np.newaxis] / modes) * shape
        if layout.hot_start:
            stored = np.einsum("bik,bi->bk", phi, C * g[:, layout.left_over])
            E[:, :n] = seen * stored[:, :, np.newaxis] * shape
        j = np.arange(m)
        A[:, :, n + j, j] = a.sum(axis=2) - A[:, :, :n].sum(axis=2)
        B[:, n + j, j] = 1 - B[:, :n].sum(axis=1)
        return np.concatenate((np.log(tau), np.log(lag[:, :m])), axis=1), A, B, E

    def by_source(self, g: Array) -> Array:
        """Modelled rise (S, c, m) by each source, were the others off and the reference at rest."""
        ln_tau, A, _, _ = (part[0] for part in self.poles(g[np.newaxis]))
        edge = g[self.layout.edge]
        powers, _ = self.sources.filtered(np.exp(ln_tau))
        inputs = [self._shifted(s, one.power, np.exp(ln_tau), edge) for s, one in enumerate(powers)]
        return np.array([one @ coefficient for one, coefficient in zip(inputs, A, strict=True)])

    def _shifted(self, s: int, power: Array, tau: Array, edge: Array) -> Array:
        """Filtered power (c, P) of source s with its steps moved by `edge` within the scan."""
        if not edge.size:
            return power
        p = self.sources.power[:, [s]]
        return np.asarray(p - np.exp(edge / tau) * (p - power))

    def __call__(self, g: Array) -> tuple[Array, Callable[[], Array]]:
        """Modelled rise (c, m), constants aside, and what gives its derivatives (c, m, size)."""
        record, edge = self.record, g[self.layout.edge]
        ln_tau, A, B, E = (part[0] for part in self.poles(g[np.newaxis]))
        tau = np.exp(ln_tau)
        powers, f = self.sources.filtered(tau)
        U = [self._shifted(s, one.power, tau, edge) for s, one in enumerate(powers)]
        value = sum(one @ by for one, by in zip(U, A, strict=True))
        value = value - f.reference @ B + f.initial @ E

        def derivatives() -> Array:
            J = np.empty((*record.rise_K.shape, self.layout.size))
            # All but the edge move the poles.
            count = self.layout.edge.start
            moved = self.poles(g + STEP * np.eye(self.layout.size)[:count])
            d_ln, dA, dB, dE = (
                (beside - at) / STEP for beside, at in zip(moved, (ln_tau, A, B, E), strict=True)
            )
            slower = d_ln[:, :, np.newaxis]
            inputs = [-f.reference, -f.d_reference, f.initial, f.d_initial]
            change = [dB, slower * B, dE, slower * E]
            for s, one in enumerate(powers):
                dU = one.d_power
                if edge.size:
                    left = self.sources.power[:, [s]] - one.power
                    growth = np.exp(edge / tau)
                    dU = growth * (one.d_power + edge / tau * left)
                    J_edge = (-growth / tau * left) @ A[s]
                    J[:, :, count] = J_edge if s == 0 else J[:, :, count] + J_edge
                inputs += [U[s], dU]
                change += [dA[:, s], slower * A[s]]
            whole = np.hstack(inputs)
            by_all = whole @ np.concatenate(change, axis=1).transpose(1, 2, 0).reshape(
                whole.shape[1], -1
            )
            J[:, :, :count] = by_all.reshape(len(whole), self.m, count)
            return J

        return np.asarray(value), derivatives
