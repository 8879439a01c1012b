"""Readings that no part can make: a jump, two that changed places, colder than all around."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping

# A sealed product's parts change by P / C: a few kelvins a second where 4 W meet 1 J/K. A small
# part may truly rise faster, and what is guarded has its limit against that.
JUMP_K, RISE_K = 20.0, 100.0
LASTING = 3  # readings in a row: a single one may be a disturbance on the line
SWAP_K, SWAP_LIKE = 3.0, 0.2  # two further apart than that, each within a fifth of the other
COLDER_K = 5.0  # under everything else; offsets and the layers of a room's air are smaller
READ_BEFORE_S = 10.0  # what was read longer ago is no measure for a jump


class Jumps:
    """Compares each node's reading with the last one that could be believed."""

    def __init__(self, warmed: Collection[str]) -> None:
        """
        Args:
            warmed: nodes with something colder behind them: no sound sensor there reads lowest.
        """
        self._warmed = warmed
        self._good: dict[str, tuple[float, float]] = {}  # node -> time [s], reading [degC]
        self._odd: dict[str, int] = {}  # readings in a row that jumped
        self._colder: dict[str, int] = {}

    @property
    def doubted(self) -> set[str]:
        """Nodes whose newest reading may be none."""
        counts = [*self._odd.items(), *self._colder.items()]
        return {node for node, count in counts if count}

    def check(self, t_s: float, degC: Mapping[str, float]) -> Iterator[tuple[str, str]]:
        """Nodes that cannot be believed and why, at each scan for as long as that lasts."""
        read = {node: value for node, value in degC.items() if not math.isnan(value)}
        odd = {}
        for node, value in read.items():
            then_s, before = self._good.get(node, (t_s, value))
            if self._odd.get(node) or t_s - then_s <= READ_BEFORE_S:
                odd[node] = self._why(node, before, value, read)
        for node, value in read.items():
            why = odd.get(node, "")
            self._odd[node] = self._odd.get(node, 0) + 1 if why else 0
            if not why:
                self._good[node] = (t_s, value)
            elif self._odd[node] >= LASTING:
                yield node, why
        yield from self._colder_than_all(read)

    def _why(self, node: str, before: float, value: float, read: Mapping[str, float]) -> str:
        for other, (_, its) in self._good.items():
            near_K, its_now = SWAP_LIKE * abs(before - its), read.get(other, math.nan)
            swapped = abs(value - its) <= near_K and abs(its_now - before) <= near_K
            if other != node and abs(before - its) > SWAP_K and swapped:
                return f"{node} and {other} have changed places: look at the wires and the reader"
        if before - value > JUMP_K or value - before > RISE_K:
            return f"{node} jumped from {before:.1f} to {value:.1f} degC, which no part can do"
        return ""

    def _colder_than_all(self, read: Mapping[str, float]) -> Iterator[tuple[str, str]]:
        for node, value in ((one, read[one]) for one in self._warmed if one in read):
            others = [one for name, one in read.items() if name != node]
            under_K = min(others, default=value) - value
            self._colder[node] = self._colder.get(node, 0) + 1 if under_K > COLDER_K else 0
            if self._colder[node] >= LASTING and len(others) > 1:
                text = f"{node} reads {value:.1f} degC, {under_K:.1f} K under everything else"
                yield node, f"{text}, and is heated: shorted, or its poles swapped?"
