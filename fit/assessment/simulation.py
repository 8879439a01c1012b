"""What a run would read if stages were not as budgeted: the budget's own network, simulated.

A resistance that rises does more than raise its own span. Heat finds other ways: a poor pad sends
more of it through the inner air to the case, and every span between the two carries less; a pad
beside a screw leaves the screw more. The rises of the network's nodes for one watt,

    T = G(R)^-1 e,      reading of span i = T_from(i) - T_to(i),

have all of that in them, whatever the stages' arrangement.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fit.assessment.alignment import Alignment
from fit.budget.model import Prediction
from fit.measurement.sensor_placement import SlowLook
from fit.network.modes import modes
from fit.network.steady_state import resistance_matrix
from fit.network.topology import Topology
from fit.records.run import Array


@dataclass(frozen=True, eq=False)
class SimulatedPath:
    """A budget's network with the spans that are read off it."""

    topology: Topology  # stages first, then leaks; one source
    R_K_per_W: Array  # (links,) each its own
    ends: tuple[tuple[str, str], ...]  # (s,) the two nodes of every span
    stages: tuple[str, ...]  # names of the first links

    def spans_K_per_W(self, factor: Array) -> Array:
        """Readings of the spans per watt into the path.

        Args:
            factor: of every link's resistance (..., links).

        Returns:
            The spans (..., s) [K/W].
        """
        return self._between(resistance_matrix(self.topology, factor * self.R_K_per_W)[..., 0])

    def _between(self, rise: Array) -> Array:
        """Differences over the spans (..., s) of the nodes' rises above the reference (..., n)."""
        rise = np.concatenate([rise, np.zeros((*rise.shape[:-1], 1))], axis=-1)
        start, end = np.array(
            [[self.topology.index(a), self.topology.index(b)] for a, b in self.ends]
        ).T
        return np.asarray(rise[..., start] - rise[..., end])

    def moved_K_per_W(self, names: Sequence[str], factor: Array) -> Array:
        """By how much every span reads more with some stages' resistances changed.

        Args:
            names: of the stages, all by the same factor.
            factor: of their resistances (G,).

        Returns:
            Differences (G, s) [K/W].
        """
        of_link = np.ones((len(factor) + 1, len(self.R_K_per_W)))
        of_link[1:, [self.stages.index(name) for name in names]] = factor[:, np.newaxis]
        spans = self.spans_K_per_W(of_link)
        return np.asarray(spans[1:] - spans[0])

    def slow_share(self, look: SlowLook, C_J_per_K: Array, factor: Array) -> Array:
        """Share of the case's rise in every span, as a record of this network would show it.

        Args:
            look: how the share was read off the record.
            C_J_per_K: heat capacities of the nodes (n,), the last of the path's above zero.
            factor: of every link's resistance (links,).

        Returns:
            The shares (s,), the last one 1.
        """
        found = modes(self.topology, factor * self.R_K_per_W, C_J_per_K)
        amplitude = np.column_stack([found.at_once_K_per_W[:, 0], found.amplitude_K_per_W[:, 0]])
        spans = self._between(look.levels(amplitude, np.append(0.0, found.tau_s)))
        return np.asarray(spans / spans[-1])


def simulated_path(path: Alignment, prediction: Prediction) -> SimulatedPath | None:
    """The network of a prediction, each link with the resistance it has at the run's power.

    Args:
        path: the measured spans, laid on the budget.
        prediction: at the run's power.

    Returns:
        None where several sources heat the path, or a link carries no heat.
    """
    budget, share = prediction.budget, prediction.heat_share
    if not budget.is_chain or share is None:
        return None
    heat = share * prediction.power_W
    rise = prediction.rise_K
    drop = np.array([rise[stage.from_node] - rise[stage.to_node] for stage in budget.stages])
    if not ((heat > 0) & (drop > 0)).all():
        return None
    leaks = [leak.R_K_per_W for leak in budget.leaks]
    names = tuple(stage.name for stage in budget.stages)
    return SimulatedPath(budget.topology, np.append(drop / heat, leaks), path.ends, names)
