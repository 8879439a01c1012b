"""Which number of a ladder's parameters means what.

A ladder is fitted as one vector g of named blocks, in this order:

    resistances   ln R of every link of the network [K/W]: of the path, then of leaks beside it
    capacities    ln C of every lump [J/K]; of a hidden lump ln(R C) [s], for that is what is known
    lags          of every measured node's sensor, the reference's last [s]
    left_over     rise of every lump at the start of a record that begins warm [K]
    edge          shift of the power step within its scan, where it is not known [s]
    gains         relative error of each sensor's rise, of those whose match the rig states
    fault         size of one thing wrong with a reading, where one is supposed
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fit.network.topology import Topology
from fit.records.run import Array


@dataclass(frozen=True)
class ParameterLayout:
    """The blocks of g, their places computed from the network.

    Links need not be as many as lumps: a tree has parallel links and leaks.

    >>> from fit.network.topology import chain
    >>> layout = ParameterLayout(chain(["chip", "tab", "bar"]), hidden=("chip",), edge_free=True)
    >>> layout.lags, layout.edge, layout.size
    (slice(4, 6, None), slice(6, 7, None), 7)
    """

    topology: Topology  # all lumps and the links between them
    hidden: tuple[str, ...] = ()  # the unmeasured lumps
    hot_start: bool = False
    edge_free: bool = False
    gained: tuple[str, ...] = ()  # sensors whose rise may be off by a factor
    faulty: bool = False

    @cached_property
    def measured(self) -> NDArray[np.intp]:
        """Places of the lumps that were measured (m,)."""
        nodes = enumerate(self.topology.nodes)
        return np.array([i for i, node in nodes if node not in self.hidden], dtype=np.intp)

    @cached_property
    def hidden_links(self) -> list[int]:
        """The link by which each hidden lump's heat leaves."""
        starts = [start for start, _ in self.topology.links]
        return [starts.index(node) for node in self.hidden]

    @cached_property
    def hidden_lumps(self) -> list[int]:
        """Places of the lumps that were not measured."""
        return [self.topology.index(node) for node in self.hidden]

    @property
    def resistances(self) -> slice:
        """ln R of every link."""
        return slice(0, len(self.topology.links))

    @property
    def capacities(self) -> slice:
        """ln C of every lump; of a hidden one ln(R C)."""
        return _after(self.resistances, len(self.topology))

    @property
    def lags(self) -> slice:
        """Of every measured node's sensor, the reference's last."""
        return _after(self.capacities, len(self.measured) + 1)

    @property
    def left_over(self) -> slice:
        """Rise of every lump at the start, if that was warm."""
        return _after(self.lags, len(self.topology) * self.hot_start)

    @property
    def edge(self) -> slice:
        """Shift of the power step, if that is free."""
        return _after(self.left_over, int(self.edge_free))

    @property
    def gains(self) -> slice:
        """Relative error of each sensor's rise, of those that have one."""
        return _after(self.edge, len(self.gained))

    @property
    def fault(self) -> slice:
        """Size of what is supposed wrong, if anything."""
        return _after(self.gains, int(self.faulty))

    @property
    def size(self) -> int:
        """Number of parameters."""
        return self.fault.stop

    @cached_property
    def spans(self) -> NDArray[np.intp]:
        """Places in g of ln R of the links that do not begin at a hidden lump."""
        links = self.topology.links
        found = [i for i, (start, _) in enumerate(links) if start not in self.hidden]
        return self.resistances.start + np.array(found, dtype=np.intp)

    def pack(self, R: Array, C: Array, lag_s: Array, left_over: Array, edge_s: float) -> Array:
        """g (size,) of values: R (links,) [K/W], C (lumps,) [J/K], lags (m + 1,) [s].

        left_over: (lumps,) [K] or a value for all of them. Blocks not in g are left out.
        """
        ln_C = np.log(C)
        ln_C[self.hidden_lumps] += np.log(R)[self.hidden_links]
        g = np.zeros(self.size)
        g[self.resistances], g[self.capacities], g[self.lags] = np.log(R), ln_C, lag_s
        if self.hot_start:
            g[self.left_over] = left_over
        g[self.edge] = edge_s
        return g

    def resistance(self, g: Array) -> Array:
        """R (..., links) [K/W] of parameters g (..., size)."""
        return np.asarray(np.exp(g[..., self.resistances]))

    def capacity(self, g: Array) -> Array:
        """C (..., lumps) [J/K] of parameters g (..., size)."""
        ln_C = g[..., self.capacities].copy()
        ln_C[..., self.hidden_lumps] -= g[..., self.resistances][..., self.hidden_links]
        return np.asarray(np.exp(ln_C))

    @cached_property
    def names(self) -> tuple[tuple[str | int, ...], ...]:
        """What each place of g holds: its block, then the link's ends, the node or the sensor.

        Parallel links are numbered.
        """
        links, nodes = self.topology.links, self.topology.nodes
        sensors = (*(nodes[i] for i in self.measured), self.topology.reference)
        return (
            *(("resistances", *link, links[:i].count(link)) for i, link in enumerate(links)),
            *(("capacities", node) for node in nodes),
            *(("lags", node) for node in sensors),
            *(("left_over", node) for node in nodes if self.hot_start),
            *((("edge",),) if self.edge_free else ()),
            *(("gains", node) for node in self.gained),
            *((("fault",),) if self.faulty else ()),
        )

    def taken_over(self, g: Array, other: ParameterLayout, found: Array) -> Array:
        """g with all that another layout's parameters `found` have too, but for `left_over`."""
        known = dict(zip(other.names, found, strict=True))
        return np.array(
            [
                one if name[0] == "left_over" else known.get(name, one)
                for name, one in zip(self.names, g, strict=True)
            ]
        )


def _after(block: slice, length: int) -> slice:
    return slice(block.stop, block.stop + length)
