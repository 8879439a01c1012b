"""A tree whose readings are not what they seem: a bead that misses, a power that reads wrong.

With x_j the network's rise above the reference for the true powers, m the share of its rise above
ambient that a bead misses, γ what a power's reading is too high by:

    bead at node j        T_j − T_ref = (1 − m) x_j − m (T_ref − T_amb)
    bead at the reference T_j − T_ref = x_j + m/(1 − m) (T_ref − T_amb), T_ref itself read too low
    power of source s     P_s = P_s,read / (1 + γ)

One such fault at a time is fitted along with the network, so that a record tells by itself what
would explain it: an error of one bead shows in the node's rise by every source alike, and in how
it follows the case; one of one power in every node's rise by that source alone.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from fit.identification.ladder.settings import SETTINGS, SearchSettings
from fit.identification.tree.model import TreeModel
from fit.records.run import Array


@dataclass(frozen=True)
class Fault:
    """One thing wrong with the readings, of a size to be found."""

    bead: str | None = None  # the node whose thermocouple misses a share of its rise
    sources: Mapping[int, float] | None = None  # of each source's power, by which share it is off


class FaultyModel(TreeModel):
    """The readings of a tree with one fault; its size is the last parameter."""

    def __init__(
        self,
        sound: TreeModel,
        fault: Fault,
        rise_above_ambient_K: Array,
        settings: SearchSettings = SETTINGS,
    ) -> None:
        """Of a sound tree; rise_above_ambient_K: the reference's, by cells (c,), 0 at the start."""
        layout = replace(sound.layout, faulty=True)
        super().__init__(sound.sources, layout, settings, interpolated=sound.interpolated)
        self.sound, self.fault, self.slow = sound, fault, rise_above_ambient_K
        topology = sound.layout.topology
        nodes = [topology.nodes[i] for i in sound.layout.measured]
        self.column = nodes.index(fault.bead) if fault.bead in nodes else None
        self.at_reference = fault.bead == topology.reference

    def __call__(self, g: Array) -> tuple[Array, Callable[[], Array]]:
        """Modelled reading of the rise (c, m), and what gives its derivatives (c, m, size)."""
        base, size = g[:-1], float(g[-1])
        at = self.sound.at(base)
        if self.fault.sources is not None:
            count = self.sources.power.shape[1]
            off = np.array([self.fault.sources.get(s, 0.0) for s in range(count)])
            gain = 1 / (1 + off * size)
            slope = np.einsum("scm,s->cm", at.by_source, -off * gain**2)
            return at.value(gain), lambda: _with(at.derivatives(gain), slope)
        value = at.value()
        if self.column is not None:
            read, slope = value.copy(), np.zeros_like(value)
            slope[:, self.column] = -value[:, self.column] - self.slow
            read[:, self.column] += size * slope[:, self.column]

            def by_all() -> Array:
                J = at.derivatives()
                J[:, self.column] *= 1 - size
                return _with(J, slope)

            return read, by_all
        assert self.at_reference
        # The reference's own rise drives every node, and is larger than it reads.
        ratio, d_ratio = size / (1 - size), 1 / (1 - size) ** 2
        more = self.slow[:, np.newaxis] + at.driven
        return value + ratio * more, lambda: _with(
            at.derivatives() + ratio * at.driven_derivatives(), d_ratio * more
        )


def _with(J: Array, slope: Array) -> Array:
    return np.concatenate((J, slope[:, :, np.newaxis]), axis=2)
