"""The response of a tree of lumps to several sources and to its reference's own temperature.

    T_j − T_ref = c_j + Σ_s Σ_k a_jsk L_k[P_s] − Σ_k b_jk (T_ref − L_k[T_ref])
                      + Σ_k e_jk exp(−(t − t_0)/τ_k),        a_jsk = φ_jk φ_sk τ_k

Poles and residues are those of `fit.network.modes`; one amplitude for each source, all of one
network, so that reciprocity (a_jsk = a_sjk) comes of itself. Every sensor may lag by a pole of its
own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from fit.identification.ladder.layout import ParameterLayout
from fit.identification.ladder.model import LEAST_APART, STEP
from fit.identification.ladder.settings import SETTINGS, SearchSettings
from fit.identification.tree.record import Inputs, SourceRecord
from fit.network.modes import search_modes
from fit.records.run import Array


class TreeModel:
    """The response on a record's cells, and its derivatives by the parameters of `layout`."""

    def __init__(
        self,
        sources: SourceRecord,
        layout: ParameterLayout,
        settings: SearchSettings = SETTINGS,
        *,
        interpolated: bool = False,
    ) -> None:
        """interpolated: filter by the record's table, for a search; exactly otherwise."""
        self.sources, self.layout, self.settings = sources, layout, settings
        self.interpolated = interpolated
        self.record = sources.cells
        self.m = self.record.rise_K.shape[1]

    @cached_property
    def for_search(self) -> TreeModel:
        """The same by interpolated filters: an input is off by a millionth, and a step is cheap."""
        return TreeModel(self.sources, self.layout, self.settings, interpolated=True)

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

    def at(self, g: Array) -> TreeResponse:
        """The response at g (size,), its parts kept apart."""
        poles = self.poles(g[np.newaxis])
        tau = np.exp(poles[0][0])
        filtered = self.sources.interpolated if self.interpolated else self.sources.filtered
        return TreeResponse(self, g, tau, poles, filtered(tau))

    def by_source(self, g: Array) -> Array:
        """Modelled rise (S, c, m) by each source, were the others off and the reference at rest."""
        return self.at(g).by_source

    def __call__(self, g: Array) -> tuple[Array, Callable[[], Array]]:
        """Modelled rise (c, m), constants aside, and what gives its derivatives (c, m, size)."""
        at = self.at(g)
        return at.value(), at.derivatives


@dataclass(frozen=True, eq=False)
class TreeResponse:
    """The response of a tree at one place, and its derivatives by the parameters.

    A `gain` (sources,) is what every source's power is taken times.
    """

    model: TreeModel
    g: Array  # (size,)
    tau_s: Array  # (P,) of modes and lags
    poles: tuple[Array, Array, Array, Array]  # of `TreeModel.poles`, of one network
    inputs: Inputs

    @cached_property
    def powers(self) -> Array:
        """Filtered powers (S, c, P), their steps moved by the edge within the scan."""
        edge = self.g[self.model.layout.edge]
        if not edge.size:
            return self.inputs.power
        held = self.model.sources.power.T[:, :, np.newaxis]
        return np.asarray(held - np.exp(edge / self.tau_s) * (held - self.inputs.power))

    @cached_property
    def by_source(self) -> Array:
        """Rise (S, c, m) by each source, were the others off and the reference at rest."""
        return np.asarray(self.powers @ self.poles[1][0])

    @property
    def driven(self) -> Array:
        """What of the rise (c, m) the reference's own temperature drives."""
        return np.asarray(-self.inputs.reference @ self.poles[2][0])

    def value(self, gain: Array | None = None) -> Array:
        """The rise (c, m), constants aside."""
        each = self.by_source
        heated = each.sum(axis=0) if gain is None else np.einsum("scm,s->cm", each, gain)
        return np.asarray(heated + self.driven + self.inputs.initial @ self.poles[3][0])

    @cached_property
    def _moved(self) -> tuple[Array, Array, Array, Array]:
        """Slopes of the poles: each part of them by every parameter but the edge, which comes last.

        Of ln τ (B, P, 1), then of the coefficients, B parameters.
        """
        model = self.model
        moved = model.poles(self.g + STEP * np.eye(model.layout.size)[: model.layout.edge.start])
        d_ln, dA, dB, dE = (
            (beside - at) / STEP for beside, at in zip(moved, self.poles, strict=True)
        )
        return d_ln[:, :, np.newaxis], dA, dB, dE

    def derivatives(self, gain: Array | None = None) -> Array:
        """Of the rise by the parameters (c, m, size)."""
        layout, f = self.model.layout, self.inputs
        slower, dA, _, dE = self._moved
        _, A, _, E = (part[0] for part in self.poles)
        gain = np.ones(len(A)) if gain is None else gain
        edge = self.g[layout.edge]
        left = self.model.sources.power.T[:, :, np.newaxis] - f.power
        growth = np.exp(edge / self.tau_s) if edge.size else 1.0
        d_powers = f.d_power
        if edge.size:
            d_powers = growth * (f.d_power + edge / self.tau_s * left)
        inputs, change = [f.initial, f.d_initial], [dE, slower * E]
        for s, one in enumerate(gain):
            inputs += [one * self.powers[s], one * d_powers[s]]
            change += [dA[:, s], slower * A[s]]
        J = self.driven_derivatives()
        J[:, :, : layout.edge.start] += _by_all(inputs, change)
        if edge.size:
            by_edge = (-growth / self.tau_s * left) @ A
            J[:, :, layout.edge.start] = np.einsum("scm,s->cm", by_edge, gain)
        return J

    def driven_derivatives(self) -> Array:
        """Of what the reference drives, by the parameters (c, m, size)."""
        f, layout = self.inputs, self.model.layout
        slower, _, dB, _ = self._moved
        J = np.zeros((*self.model.record.rise_K.shape, layout.size))
        inputs = [-f.reference, -f.d_reference]
        J[:, :, : layout.edge.start] = _by_all(inputs, [dB, slower * self.poles[2][0]])
        return J


def _by_all(inputs: Sequence[Array], change: Sequence[Array]) -> Array:
    """Sum over inputs (c, P) of each times its coefficients' slopes (B, P, m): (c, m, B)."""
    whole = np.hstack(inputs)
    slopes = np.concatenate(change, axis=1)
    B, rows, m = slopes.shape
    found = whole @ slopes.transpose(1, 2, 0).reshape(rows, m * B)
    return np.asarray(found.reshape(len(whole), m, B))
