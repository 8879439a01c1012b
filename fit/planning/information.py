"""What a record tells of its network at any time: Fisher information.

    F = Σ_cells n_c Jᵀ Σ⁻¹ J + diag(1/sd²),    Σ = σ² (I + 11ᵀ),    σ² = noise² + step²/12

J is the derivative of the nodes' rise above the reference by ln R, ln C, the sensors' lags and
gains (`fit.identification.ladder`), beside a constant for each node's offset, of which nothing is
known: inverting the whole projects it out. The reference's own noise is in every rise: 11ᵀ. The
inverse is the least covariance of any unbiased estimator (Cramér 1946, Rao 1945; Kay,
Fundamentals of Statistical Signal Processing, vol. 1, ch. 3; from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from fit.budget.model import Array
from fit.identification.ladder.model import LadderModel
from fit.identification.ladder.search import prior_sd
from fit.identification.ladder.settings import SETTINGS
from fit.identification.pole_model import reduce
from fit.measurement.discrepancy import ladder_discrepancy_u
from fit.planning.network import Lumped
from fit.signals.preparation import Signals, only


@dataclass(frozen=True, eq=False)
class Information:
    """Fisher information of the inner spans, cell by cell of a record."""

    model: LadderModel
    g: Array  # (size,) the network's parameters
    sd: Array  # (size,) how well each is known before the run
    by_cell: Array  # (c, size + m, size + m) of the readings
    edge_s: float  # time of the power step [s]
    start_s: Array  # (c,) of each cell after the power step [s]
    length_s: Array  # (c,)

    @cached_property
    def _before(self) -> Array:
        """Information of all cells before each (c + 1, size + m, size + m)."""
        none = np.zeros((1, *self.by_cell.shape[1:]))
        return np.concatenate((none, np.cumsum(self.by_cell, axis=0)))

    def covariance(self, t_s: float, power: float = 1.0) -> Array:
        """Of the parameters (size, size), after heating for t_s [s] at `power` times the power."""
        cell = int(np.clip(np.searchsorted(self.start_s, t_s) - 1, 0, len(self.start_s) - 1))
        seen = float(np.clip((t_s - self.start_s[cell]) / max(self.length_s[cell], 1e-9), 0, 1))
        whole = self._before[cell] + seen * self.by_cell[cell]
        size = len(self.g)
        whole = power**2 * whole
        whole[:size, :size] += np.diag(1 / self.sd**2)
        # To unit diagonal first: the parameters' own units are far apart.
        scale = 1 / np.sqrt(np.maximum(np.diag(whole), 1e-300))
        scaled = whole * np.outer(scale, scale)
        inverse = np.linalg.pinv(scaled, hermitian=True, rcond=1e-14)
        return np.asarray((inverse * np.outer(scale, scale))[:size, :size])

    def span_covariance(self, t_s: float, power: float = 1.0) -> dict[str, Array]:
        """Of the spans after heating for t_s [s], by noise and by the sensors' match.

        What a record does not tell of the gains stays in the spans: of covariance C, known
        beforehand with precision Λ, it is C Λ C (as in `fit.identification.covariance`).

        Args:
            t_s: heated so long [s].
            power: times the power.

        Returns:
            "fit" and "sensor_match", (s, s) each [(K/W)^2].
        """
        layout = self.model.layout
        R = np.exp(self.g[layout.spans])
        whole = self.covariance(t_s, power)
        by_gains = whole[layout.spans, layout.gains] / self.sd[layout.gains]
        match = by_gains @ by_gains.T * np.outer(R, R)
        rest = whole[np.ix_(layout.spans, layout.spans)] * np.outer(R, R) - match
        return {"fit": rest, "sensor_match": match}

    def discrepancy_u_K_per_W(self, t_s: float, power_W: float) -> Array:
        """Of the spans (s,) after t_s [s]: what a ladder may hide (`fit.measurement.discrepancy`).

        Of the gains it has what the record tells: their variance before it less that after.
        """
        times, gains = np.array([0.5 * t_s, t_s]), self.model.layout.gains
        half, end = self.model.by_gain_K(self.edge_s + times) / power_W
        told = np.diag(self.sd[gains] ** 2) - self.covariance(t_s)[gains, gains]
        variance = np.einsum("sk,kl,sl->s", end - half, told, end - half)
        half_left, left = self.model.to_come_K_per_W(self.g, times)
        return ladder_discrepancy_u(half_left, left, np.sqrt(np.maximum(variance, 0.0)))


def information(
    network: Lumped,
    signals: Signals,
    scans: float,
    *,
    reference: str,
    noise_K: float | Array,
    lag_s: Mapping[str, tuple[float, float]],
    match_u: Mapping[str, float],
) -> Information:
    """Fisher information of the spans above a reference, from a simulated record.

    Args:
        network: whose values are the truth.
        signals: its record without noise.
        scans: how many scans each row of it stands for.
        reference: the measured node above which the rises are taken.
        noise_K: standard deviation of a reading, or of each measured node's up to the reference.
        lag_s: node -> time constant of its sensor and its uncertainty [s], unknown where left out.
        match_u: node -> relative standard uncertainty of its rise, exact where left out.

    Returns:
        The information of every cell.
    """
    inner = network.measured[: network.measured.index(reference)]
    matched = replace(only(signals, (*inner, reference)), match_u=match_u)
    record = reduce(matched, inner, reference)
    model = LadderModel(record, network.hidden)
    g, sd = _parameters(model, network, (*inner, reference), lag_s)
    size, m = len(g), len(inner)
    J = np.zeros((*record.rise_K.shape, size + m))
    J[:, :, :size] = model(g)[1]()
    J[:, np.arange(m), size + np.arange(m)] = 1.0
    sigma = np.broadcast_to(np.asarray(noise_K, dtype=float), m + 1)
    precision = np.linalg.inv(np.diag(sigma[:-1] ** 2) + sigma[-1] ** 2)
    count = scans * record.cells.samples
    by_cell = np.einsum("c,cia,ij,cjb->cab", count, J, precision, J, optimize=True)
    edge_s = signals.power_edges_s[0] if signals.power_edges_s else 0.0
    start_s = record.cells.start_s - edge_s
    return Information(model, g, sd, by_cell, edge_s, start_s, record.cells.length_s)


def _parameters(
    model: LadderModel,
    network: Lumped,
    nodes: tuple[str, ...],
    lag_s: Mapping[str, tuple[float, float]],
) -> tuple[Array, Array]:
    """Parameters at the network's values, and the prior standard deviations of the search."""
    layout, n = model.layout, len(model.layout.topology)
    settings = SETTINGS
    unknown = (settings.lag_s, settings.lag_sd_s)
    lags = [lag_s.get(node, unknown) for node in nodes]
    lag = np.array([max(one, settings.least_lag_s) for one, _ in lags])
    g = layout.pack(network.R_K_per_W[:n], network.C_J_per_K[:n], lag, np.zeros(n), 0.0)
    sd = prior_sd(model)
    # Never quite zero, for it is divided by: a tenth of what no scan tells from nothing.
    sd[layout.lags] = [max(u, 0.1 * settings.least_lag_s) for _, u in lags]
    return g, sd
