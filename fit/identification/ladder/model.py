"""The response of a network of lumps whose reference is a measured node.

Poles and residues are those of `fit.network.modes`: a_jk by the power, b_jk by the reference's own
temperature, e_jk of a rise left over at the start. Every sensor may lag: a further first-order pole
of its own, λ_j. Where the rig states how alike its sensors are, each may show its rise by a factor
1 + γ_j: γ_j ΔT_j − γ_ref ΔT_ref of what they have warmed up is in the rise above the reference.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from fit.identification.ladder.layout import ParameterLayout
from fit.identification.ladder.settings import SETTINGS, SearchSettings
from fit.identification.pole_model import CellRecord
from fit.network.modes import search_modes
from fit.network.topology import chain
from fit.records.run import Array

STEP = 1e-6  # of ln R, ln C and lags, for their derivatives: half the digits of a double
# Of a time constant: a lag as near to it as this is held so far off, for the two poles' shares
# tend to infinity of opposite sign; their sum errs by as much. Ours.
LEAST_APART = 1e-4


@lru_cache(maxsize=64)
def _layout(
    hidden: int, path: tuple[str, ...], hot_start: bool, edge_free: bool, gained: tuple[str, ...]
) -> ParameterLayout:
    """Lumps that nobody measured, first of all, then the measured nodes on their path."""
    lumps = tuple(f"{path[0]} {i}" for i in range(hidden))
    return ParameterLayout(chain([*lumps, *path]), lumps, hot_start, edge_free, gained)


class LadderModel:
    """The ladder's response on a reduced record and its derivatives.

    interpolated: filter by the record's table, for a search; exactly otherwise. settings: of the
    search.
    """

    def __init__(
        self,
        record: CellRecord,
        hidden: int,
        interpolated: bool = False,
        settings: SearchSettings = SETTINGS,
    ) -> None:
        self.record, self.hidden, self.interpolated = record, hidden, interpolated
        self.settings = settings
        self.layout = _layout(
            hidden,
            (*record.nodes, record.reference),
            record.hot_start,
            record.edge_free,
            record.gained,
        )
        self.m = record.rise_K.shape[1]

    def poles(self, g: Array) -> tuple[Array, Array, Array, Array]:
        """ln τ of modes and lags (B, P), coefficients (B, P, m) of both inputs and of the heat
        left over at the start, of B ladders.
        """
        layout, m = self.layout, self.m
        topology, n = layout.topology, len(layout.topology)
        R, C, lag = layout.resistance(g), layout.capacity(g), g[:, layout.lags]
        found = search_modes(topology, R, C)
        tau, phi = found.tau_s, found.shape
        modes = tau[:, :, None]
        seen = phi[:, layout.measured].transpose(0, 2, 1)
        heated = phi[:, topology.source_index[0]]
        a = seen * (heated * tau)[:, :, None]
        b = seen * found.at_reference[:, :, None]
        apart = modes - lag[:, None, :m]
        least = LEAST_APART * modes
        apart = np.where(np.abs(apart) < least, least, apart)
        shape = modes / apart
        A, B, E = np.zeros((3, len(g), n + m, m))
        A[:, :n] = a * shape
        B[:, :n] = b * (1 - lag[:, m, None, None] / modes) * shape
        if layout.hot_start:
            stored = np.einsum("bik,bi->bk", phi, C * g[:, layout.left_over])
            E[:, :n] = seen * stored[:, :, None] * shape
        j = np.arange(m)
        A[:, n + j, j] = a.sum(axis=1) - A[:, :n].sum(axis=1)
        B[:, n + j, j] = 1 - B[:, :n].sum(axis=1)
        return np.concatenate((np.log(tau), np.log(lag[:, :m])), axis=1), A, B, E

    def to_come_K_per_W(self, g: Array, t_s: ArrayLike) -> Array:
        """What of each span (..., m) a step has not shown after times t_s (...) [K/W].

        Σ_k (a_jk − a_j+1,k) exp(−t/τ_k), lags of sensors included.
        """
        ln_tau, a = (part[0] for part in self.poles(g[None])[:2])
        left = np.exp(-np.asarray(t_s)[..., np.newaxis] * np.exp(-ln_tau)) @ a
        left[..., :-1] -= left[..., 1:].copy()
        return np.asarray(left)

    def by_gain_K(self, t_s: Array) -> Array:
        """What a unit of each sensor's gain adds to each span by times t_s of the record [K].

        Times (t,) [s]; (t, m, k).
        """
        record = self.record
        seen = record.cells.samples > 0
        middle, added = record.cells.middle_s[seen], record.by_gain_K[seen]
        columns = added.reshape(len(middle), -1).T
        at = np.array([np.interp(t_s, middle, column) for column in columns])
        whole = at.T.reshape(len(t_s), *added.shape[1:])
        whole[:, :-1] -= whole[:, 1:].copy()
        return whole

    def __call__(self, g: Array) -> tuple[Array, Callable[[], Array]]:
        """Modelled rise (c, m), constants aside, and what gives its derivatives (c, m, size)."""
        record, edge = self.record, g[self.layout.edge]
        ln_tau, A, B, E = (part[0] for part in self.poles(g[None]))
        tau = np.exp(ln_tau)
        by_table = self.interpolated and record.ladder_table.reaches(tau)
        f = record.ladder_table(tau) if by_table else record.filters(tau)
        p = record.cells.power[:, None]
        U, dU = f.power, f.d_power
        growth, lag = np.exp(edge / tau) if edge.size else np.ones(1), p - f.power
        if edge.size:
            U, dU = p - growth * lag, growth * (f.d_power + edge / tau * lag)

        def derivatives() -> Array:
            J = np.empty((*record.rise_K.shape, self.layout.size))
            # All but the edge move the poles.
            count = self.layout.edge.start
            moved = self.poles(g + STEP * np.eye(self.layout.size)[:count])
            d_ln, dA, dB, dE = (
                (beside - at) / STEP for beside, at in zip(moved, (ln_tau, A, B, E), strict=True)
            )
            inputs = np.hstack((U, dU, -f.reference, -f.d_reference, f.initial, f.d_initial))
            slower = d_ln[:, :, None]
            change = np.concatenate((dA, slower * A, dB, slower * B, dE, slower * E), axis=1)
            by_all = inputs @ change.transpose(1, 2, 0).reshape(inputs.shape[1], -1)
            J[:, :, :count] = by_all.reshape(len(U), self.m, count)
            if edge.size:
                J[:, :, self.layout.edge.start] = (-growth / tau * lag) @ A
            J[:, :, self.layout.gains] = record.by_gain_K
            return J

        misread = record.by_gain_K @ g[self.layout.gains]
        return U @ A - f.reference @ B + f.initial @ E + misread, derivatives
