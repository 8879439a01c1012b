"""Readings that stand still where the heat must have moved them.

At every moment of a heat run a node has warmed at least as much as those further along its path
(the heat reaches them through it), so one that rests while they move does not see its part. Of
the last node only those before it tell, and they may be far ahead: it is given `blind_s`.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Collection, Iterator, Mapping, Sequence

STILL_K, MOVED_K = 0.6, 2.0
"""Moved by less, while one further along moved by more. Three times apart, so that neither noise
nor a slow bead makes one of them. The part before it may by then have warmed twice as much."""
LONGER, MUCH_LONGER = 8, 20  # times the longest rest so far: no rest of a sound reader
HABIT_SCANS = 20  # from so many a reader's habit of resting is known
WINDOW_S = 10.0  # a rise over so long goes on for as long, more or less
STEPS = 4  # of the reader's own resolution: a rise by fewer may be one step alone


class Stillness:
    """Watches each node's reading for rest, while the power is on."""

    def __init__(
        self,
        further_along: Mapping[str, Collection[str]],
        readers: Collection[Sequence[str]],
        blind_s: float,
    ) -> None:
        """
        Args:
            further_along: node -> those that its heat reaches later; the surroundings left out.
            readers: nodes of each instrument.
            blind_s: rest of the last node, or of a whole reader, after which it is blind [s].
        """
        self._along, self._blind_s = further_along, blind_s
        self._anchor: dict[str, Mapping[str, float]] = {}  # when the node last moved, all readings
        self._same: dict[str, tuple[float, float, Mapping[str, float]]] = {}
        self._readers = [_Reader(nodes, blind_s) for nodes in readers if nodes]

    def check(
        self, t_s: float, degC: Mapping[str, float], power_on: bool
    ) -> Iterator[tuple[str, str]]:
        """Nodes that cannot be believed and why, at each scan for as long as that lasts."""
        for reader in self._readers:
            why = reader.check(t_s, degC, power_on)
            yield from ((node, why) for node in reader.nodes if why)
        if not power_on:
            self._anchor.clear()
            self._same.clear()
            return
        for node, value in degC.items():
            if node in self._along and not math.isnan(value):
                why = self._overtaken(node, value, degC) or self._repeats(t_s, node, value, degC)
                if why:
                    yield node, why

    def _overtaken(self, node: str, value: float, degC: Mapping[str, float]) -> str:
        then = self._anchor.get(node)
        if then is None or abs(value - then[node]) > STILL_K:
            self._anchor[node] = dict(degC)
            return ""
        for other in self._along[node]:
            if _moved_K(other, then, degC) > MOVED_K:
                text = f"{node} stands still at {value:.1f} degC while {other}, further along"
                return f"{text}, moved by {_moved_K(other, then, degC):.1f} K"
            # One that could not be read then is compared from its first reading on.
            if math.isnan(then.get(other, math.nan)) and not math.isnan(degC.get(other, math.nan)):
                self._anchor[node] = then = {**then, other: degC[other]}
        return ""

    def _repeats(self, t_s: float, node: str, value: float, degC: Mapping[str, float]) -> str:
        same, since_s, then = self._same.get(node, (math.nan, t_s, degC))
        if value != same:
            self._same[node] = (value, t_s, dict(degC))
            return ""
        before = [one for one, along in self._along.items() if node in along]
        rest_s = t_s - since_s
        for other in before if rest_s >= self._blind_s else ():
            if _moved_K(other, then, degC) > MOVED_K:
                text = f"{node} has repeated {value:.2f} degC for {rest_s:.0f} s while {other}"
                return f"{text}, before it, moved by {_moved_K(other, then, degC):.1f} K"
        return ""


class _Reader:
    """All nodes of one instrument: whether it sends the same answer again and again."""

    def __init__(self, nodes: Sequence[str], blind_s: float) -> None:
        self.nodes, self._blind_s = tuple(nodes), blind_s
        self._recent: deque[tuple[float, Mapping[str, float]]] = deque()  # until the last change
        self._scans = self._rest = self._longest = 0
        self._step_K = math.inf
        self._on_s: float | None = None

    def check(self, t_s: float, degC: Mapping[str, float], power_on: bool) -> str:
        """Why none of them can be believed; empty when they can."""
        read = {node: degC.get(node, math.nan) for node in self.nodes}
        read = {node: value for node, value in read.items() if not math.isnan(value)}
        if not power_on:
            self._on_s = None
        elif self._on_s is None:
            self._on_s = t_s
        if not read:
            return ""
        self._scans += 1
        if not self._recent or read != self._recent[-1][1]:
            self._take(t_s, read)
            return ""
        self._rest += 1
        if not power_on or not self._stands(t_s):
            return ""
        return f"{', '.join(self.nodes)}: every reading is repeated, the reader measures no more"

    def _take(self, t_s: float, read: Mapping[str, float]) -> None:
        self._longest, self._rest = max(self._longest, self._rest), 0
        if self._recent:
            steps = (_moved_K(node, self._recent[-1][1], read) for node in read)
            self._step_K = min([self._step_K, *filter(None, steps)])
        self._recent.append((t_s, read))
        while self._recent[0][0] < t_s - WINDOW_S:
            self._recent.popleft()

    def _stands(self, t_s: float) -> bool:
        changed_s, last = self._recent[-1]
        rest_s = t_s - changed_s
        habit = self._longest + 1 if self._scans - self._rest >= HABIT_SCANS else math.inf
        if self._on_s is not None and changed_s <= self._on_s:  # nothing moved since power-on
            return t_s - self._on_s >= self._blind_s or self._rest > LONGER * habit
        if rest_s >= self._blind_s and self._rest > MUCH_LONGER * habit:
            return True
        first = self._recent[0][1]
        if self._rest < STEPS or rest_s > WINDOW_S:
            return False
        least_K = max(MOVED_K, STEPS * self._step_K)
        moved_K = max(_moved_K(node, first, last) for node in last)
        return moved_K * rest_s / WINDOW_S > least_K


def _moved_K(node: str, then: Mapping[str, float], now: Mapping[str, float]) -> float:
    """How far a node has moved [K]; 0 where it was not read."""
    moved = abs(now.get(node, math.nan) - then.get(node, math.nan))
    return 0.0 if math.isnan(moved) else moved
