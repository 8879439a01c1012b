"""Uncertainty of the spans of a tree beyond that of the fit itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from fit.budget.model import AMBIENT, Budget, Prediction
from fit.identification.energy_balance import CaseToAmbient
from fit.identification.tree.fitted import FittedTree
from fit.measurement.discrepancy import OWN_EXTRAPOLATION, is_noise
from fit.network.steady_state import heat_flow, resistance_matrix
from fit.network.topology import Topology
from fit.records.run import Array
from fit.signals.preparation import Signals

LEAST_W = 1e-9  # through a span that carries no heat: it is not resolved anyhow


@dataclass(frozen=True, eq=False)
class Identified:
    """A record of several sources, and the network found in it."""

    fitted: FittedTree
    signals: Signals
    prediction: Prediction  # of the budget at the run's powers and ambient
    power_W: Array  # (sources,) of each while it was on, electrical
    air: CaseToAmbient | None  # from the reference to ambient, where that was measured

    @property
    def budget(self) -> Budget:
        """Whose tree it is."""
        return self.prediction.budget

    @property
    def path_W(self) -> Array:
        """What of it takes the path (sources,)."""
        return self.power_W * self.budget.path_fraction

    @cached_property
    def topology(self) -> Topology:
        """The spans: a link each, and the first of them that each source's heat passes."""
        network = self.fitted.network
        links = [network.topology.links[i] for i in np.flatnonzero(network.found)]
        if self.air is not None:
            links.append((network.topology.reference, AMBIENT))
        starts = tuple(start for start, _ in links)
        way = self.budget.joined.path
        first = tuple(next(n for n in way(at) if n in starts) for at in self.budget.tree.sources)
        return Topology(starts, tuple(links), links[-1][1], first)

    @cached_property
    def heat_W(self) -> Array:
        """Heat of each source through every span at rest, all of them on (spans, sources)."""
        network, R = self.fitted.network, self.fitted.R_K_per_W
        rises = resistance_matrix(network.topology, R) * self.path_W
        flow = np.stack([heat_flow(network.topology, R, one) for one in rises.T], axis=1)
        kept = flow[np.flatnonzero(network.found)]
        return kept if self.air is None else np.vstack([kept, self.path_W])

    @property
    def through_W(self) -> Array:
        """Heat of all sources through every span (spans,)."""
        return np.maximum(self.heat_W.sum(axis=1), LEAST_W)


def discrepancy(found: Identified) -> Array:
    """Covariance of the spans by model discrepancy.

    A share of the network's extrapolation beyond the drops that its own heating reached, as of one
    source; and, where it does not describe the record down to the scans' noise, its misfit at each
    node. Of a node that nobody measured, where branches meet, as little is known as of those above
    it: its extrapolation is anything up to the least of theirs, its misfit the largest of theirs.

    Args:
        found: what was identified.

    Returns:
        Covariance (s, s) [(K/W)^2].
    """
    fitted = found.fitted
    model, topology = fitted.model, fitted.network.topology
    record, measured = model.record, model.layout.measured
    reached = np.abs(model.by_source(fitted.g)).max(axis=1).T  # (m, sources)
    steady = resistance_matrix(topology, fitted.R_K_per_W) * found.path_W
    to_come, misfit = np.zeros((2, len(topology) + 1))
    to_come[measured] = np.abs(steady[measured] - reached).sum(axis=1)
    if not is_noise(fitted.cost, record.noise_cost, record.noise_cost_sd):
        value, _ = model(fitted.g)
        apart = np.where(record.weight > 0, record.rise_K - value, np.nan)
        misfit[measured] = np.nanstd(apart, axis=0)
    least = to_come.copy()
    for node in set(fitted.network.hidden) - fitted.network.chips:
        upstream = found.topology.upstream(node)
        above = [topology.index(n) for n in upstream if n in record.nodes] or list(measured)
        hidden = topology.index(node)
        least[hidden], to_come[hidden] = 0.0, to_come[above].min()
        misfit[hidden] = misfit[above].max()
    kept = np.flatnonzero(fitted.network.found)
    start, end = topology.ends[kept].T
    change = np.maximum(np.abs(to_come[start] - least[end]), np.abs(least[start] - to_come[end]))
    own = OWN_EXTRAPOLATION * change
    u = np.zeros(len(found.topology.links))
    u[: len(kept)] = np.hypot(own, np.hypot(misfit[start], misfit[end]))
    return np.diag((u / found.through_W) ** 2)


def sensor_match(found: Identified, match_u: Mapping[str, float]) -> Array:
    """Covariance of the spans by the match of the channels.

    Args:
        found: what was identified.
        match_u: relative standard uncertainty of each node's rise, where the rig states it.

    Returns:
        Covariance (s, s) [(K/W)^2].
    """
    topology, signals = found.topology, found.signals
    u = np.zeros(len(topology) + 1)
    for j, node in enumerate((*topology.nodes, topology.reference)):
        if match_u.get(node) and node in signals.nodes:
            series = signals.temperature_degC[:, signals.nodes.index(node)]
            u[j] = match_u[node] * (np.nanmax(series) - np.nanmin(series))
    per_watt = topology.full_incidence / found.through_W[:, np.newaxis]
    return np.asarray(per_watt @ np.diag(u**2) @ per_watt.T)


def power_and_shares(
    found: Identified, R_K_per_W: Array, power_u: float, heat_W: Array | None = None
) -> Array:
    """Covariance of the spans by the sources' powers and path shares.

    Each source has a reading of its own and a share of its own; a span that carries the heat of
    several has a part of each one's error.

    Args:
        found: what was identified.
        R_K_per_W: the spans (s,) [K/W].
        power_u: relative standard uncertainty of a power, as the rig states it.
        heat_W: of each source through every span (s, sources); as identified when None [W].

    Returns:
        Covariance (s, s) [(K/W)^2].
    """
    heat = found.heat_W if heat_W is None else heat_W
    through = np.maximum(heat.sum(axis=1, keepdims=True), LEAST_W)
    part = heat / through * R_K_per_W[:, np.newaxis]
    sources = found.budget.sources
    share_u = np.array([source.path_fraction_u / source.path_fraction for source in sources])
    return np.asarray(part @ np.diag(power_u**2 + share_u**2) @ part.T)
