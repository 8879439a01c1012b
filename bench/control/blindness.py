"""Sensors that cannot be believed: what is blind under power is no guard.

A guarded node that is blind ends the run with the power off; of another it is said loudly, once.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Collection, Iterator, Mapping

from bench.control.jumps import Jumps
from bench.control.slopes import slope
from bench.control.stillness import Stillness
from bench.rig.schema import Rig
from bench.status import Scan

REFERENCE = "ambient"
AHEAD_S = 10.0  # a node that is not read is taken to rise on as it rose over the last so long


class Blindness:
    """Judges the sensors of a run, scan by scan."""

    def __init__(self, rig: Rig, further_along: Mapping[str, Collection[str]]) -> None:
        """
        Args:
            rig: as read.
            further_along: node -> those its heat reaches later, see `further_along`.
        """
        readers: dict[str, list[str]] = {one.name: [] for one in rig.instrument}
        for channel in rig.thermometers:
            readers[channel.instrument].append(channel.node)
        self._limits = rig.guard.max_degC
        self._jumps = Jumps(
            [one for one, along in further_along.items() if along or REFERENCE in rig.nodes]
        )
        self._stillness = Stillness(further_along, list(readers.values()), rig.guard.blind_s)
        self._recent: dict[str, deque[tuple[float, float]]] = {}

    def check(self, scan: Scan, power_on: bool | None) -> Iterator[tuple[str, str]]:
        """Nodes that cannot be believed and why.

        Args:
            scan: the newest.
            power_on: as switched and confirmed; None while it is being switched.
        """
        if power_on:
            yield from self._jumps.check(scan.t_s, scan.temperature_degC)
            yield from self._may_be_over(scan)
        doubted = self._jumps.doubted if power_on else ()
        believed = {
            node: value for node, value in scan.temperature_degC.items() if node not in doubted
        }
        yield from self._stillness.check(scan.t_s, believed, power_on is True)
        for node, value in scan.temperature_degC.items():
            if not math.isnan(value):
                recent = self._recent.setdefault(node, deque())
                recent.append((scan.t_s, value))
                while recent[0][0] < scan.t_s - AHEAD_S:
                    recent.popleft()

    def _may_be_over(self, scan: Scan) -> Iterator[tuple[str, str]]:
        """A guarded node that is not read, and by its last rise may have reached its limit."""
        for node, most in self._limits.items():
            recent = self._recent.get(node)
            if not recent or not math.isnan(scan.temperature_degC.get(node, math.nan)):
                continue
            last_s, last = recent[-1]
            rise = slope(recent)
            if rise > 0 and last + rise * (scan.t_s - last_s) > most:
                yield (
                    node,
                    f"{node} is not read since {scan.t_s - last_s:.0f} s, was at {last:.1f} degC "
                    f"and rising: it may be over its limit of {most:g}",
                )


def along_the_rig(rig: Rig) -> dict[str, tuple[str, ...]]:
    """The nodes further along than each, where the channels stand in the order of the heat path."""
    nodes = [node for node in rig.path_nodes if node != REFERENCE]
    return {node: tuple(nodes[i + 1 :]) for i, node in enumerate(nodes)}


def along_the_path(
    nodes: Collection[str], ways: Mapping[str, str], reference: str = REFERENCE
) -> dict[str, tuple[str, ...]]:
    """The measured nodes further along than each, on a path with any branches.

    Args:
        nodes: that are measured.
        ways: node -> the next on its way out.
        reference: the surroundings, which nothing moves.

    >>> along_the_path(["tab", "case"], {"tab": "bar", "bar": "case", "case": "ambient"})
    {'tab': ('case',), 'case': ()}
    """
    found: dict[str, tuple[str, ...]] = {}
    for node in (one for one in nodes if one in ways):
        here, reached = ways[node], []
        while here in ways:
            reached.append(here)
            here = ways[here]
        found[node] = tuple(one for one in reached if one in nodes and one != reference)
    return found
