"""Limits that end a heat run with the power off: judged on every scan, before anything else."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Collection, Mapping

from bench.control.blindness import Blindness, along_the_rig
from bench.control.power_guard import PowerGuard
from bench.control.slopes import slope
from bench.rig.schema import Rig
from bench.status import Scan, Trip

RATE_OVER_S = 10.0  # a rate of rise is taken over so long: 1/16 K steps in 1 s are 4 K/min
RATE_SCANS = 5  # and over so many scans
RATE_POINTS = 200  # kept at most; faster scans are thinned
PLAUSIBLE_DEGC = (-200.0, 1400.0)  # outside: an open thermocouple, by what converters then send
SCANS_IN_SILENCE = 2.5  # one scan may be late, and a reading then stands in the next


def patience_s(rig: Rig) -> float:
    """How long nothing may come [s]: `guard.silence_s`, but never less than two scans take."""
    return max(rig.guard.silence_s, SCANS_IN_SILENCE * rig.sequence.interval_s)


class Guard:
    """Watches every scan of a run against the limits of the rig."""

    def __init__(
        self,
        rig: Rig,
        further_along: Mapping[str, Collection[str]] | None = None,
        heated_by: Mapping[str, Collection[str]] | None = None,
    ) -> None:
        """
        Args:
            rig: as read.
            further_along: node -> those its heat reaches later; by the order of the rig's channels
                when None.
            heated_by: source -> nodes that its heat passes, of several sources; None where no
                budget tells.
        """
        self._limits = rig.guard
        along = along_the_rig(rig) if further_along is None else further_along
        self._rig, self._along, self._heated_by = rig, along, heated_by or {}
        self._on: frozenset[str] = frozenset()  # sources, of several
        self._blindness = self._watch_anew()
        self._blind: dict[str, str] = {}  # node -> why it cannot be believed now
        self._told: set[str] = set()
        self._unsaid: list[tuple[str, str]] = []
        self._patience_s = patience_s(rig)
        self._instrument = {channel.node: channel.instrument for channel in rig.thermometers}
        # Of several sources the rig's limit is of their sum.
        one = len(rig.sources) == 1
        self._most_W = None if one else rig.guard.max_power_W
        self.sources = {
            source.name: PowerGuard(
                source,
                source.most_W or (rig.guard.max_power_W if one else None),
                self._patience_s,
            )
            for source in rig.sources
        }
        self._seen_s: dict[str, float] = {}
        self._recent: deque[tuple[float, Mapping[str, float]]] = deque()

    def check(
        self,
        scan: Scan,
        power_on: bool | None,
        each_on: Mapping[str, bool | None] | None = None,
    ) -> Trip | None:
        """The first limit this scan is over, or None.

        Args:
            scan: the newest.
            power_on: as switched and confirmed, any source; None while one is being switched.
            each_on: the same of each source; None where there is one.
        """
        return (
            self._too_hot(scan)
            or self._too_fast(scan)
            or self._silence(scan)
            or self._power(scan, {"": power_on} if each_on is None else each_on)
            or self._not_seen(scan, power_on, each_on or {})
        )

    def take_blind(self) -> list[tuple[str, str]]:
        """Nodes found blind since the last call, and why; each once until it can be believed."""
        unsaid, self._unsaid = self._unsaid, []
        return unsaid

    def unguarded(self) -> Trip | None:
        """A limit whose sensor is blind now: with it the power must not be on."""
        for node in self._limits.max_degC:
            if node in self._blind:
                text = f"{self._blind[node]}; its limit guards nothing"
                return Trip("blind", text, node)
        return None

    def _watch_anew(self) -> Blindness:
        """Of several sources a node is compared with those further along while it is heated.

        A branch whose source is off follows the rest, late. When a source is switched, every node
        may turn: the comparison begins anew, as at power on.
        """
        if len(self._rig.sources) == 1:
            return Blindness(self._rig, self._along)
        heated = {node for source in self._on for node in self._heated_by.get(source, ())}
        now = {node: far if node in heated else () for node, far in self._along.items()}
        return Blindness(self._rig, now)

    def _not_seen(
        self, scan: Scan, power_on: bool | None, each_on: Mapping[str, bool | None]
    ) -> Trip | None:
        on = frozenset(source for source, state in each_on.items() if state)
        if len(self._rig.sources) > 1 and on != self._on:
            self._on = on
            self._blindness = self._watch_anew()
        found = {**dict(self._blindness.check(scan, power_on)), **self._open(scan)}
        self._unsaid += [(node, why) for node, why in found.items() if node not in self._told]
        self._told = (self._told & found.keys()) | found.keys()
        self._blind = found
        return self.unguarded() if power_on is not False else None

    def _too_hot(self, scan: Scan) -> Trip | None:
        for node, most in self._limits.max_degC.items():
            value = scan.temperature_degC.get(node, math.nan)
            if value > most:
                return Trip(
                    "temperature",
                    f"{node} is at {value:.1f} degC, over its limit of {most:g}",
                    node,
                )
        return None

    def _too_fast(self, scan: Scan) -> Trip | None:
        most = self._limits.max_K_per_min
        if most is None:
            return None
        recent = self._recent
        if not recent or scan.t_s - recent[-1][0] >= RATE_OVER_S / RATE_POINTS:
            recent.append((scan.t_s, scan.temperature_degC))
        # One scan older than the window stays, so that the window is filled.
        while len(recent) > RATE_SCANS and recent[1][0] <= scan.t_s - RATE_OVER_S:
            recent.popleft()
        if len(recent) < RATE_SCANS or scan.t_s - recent[0][0] < RATE_OVER_S:
            return None
        for node in scan.temperature_degC:
            rate = 60.0 * slope([(t, one.get(node, math.nan)) for t, one in recent])
            if rate > most:
                text = f"{node} rises by {rate:.1f} K/min, over its limit of {most:g}"
                return Trip("rate", text, node)
        return None

    def _silence(self, scan: Scan) -> Trip | None:
        for instrument, silent_s in scan.silent_s.items():
            if silent_s > self._patience_s:
                return Trip("silence", f"no reading from {instrument} for {silent_s:.0f} s")
        return None

    def _open(self, scan: Scan) -> dict[str, str]:
        """Sensors without a reading for too long, though their instrument sends."""
        found = {}
        for node, value in scan.temperature_degC.items():
            silent_s = scan.silent_s.get(self._instrument[node], 0.0)
            if PLAUSIBLE_DEGC[0] <= value <= PLAUSIBLE_DEGC[1]:
                self._seen_s[node] = scan.t_s
            elif silent_s > self._patience_s / 2:
                continue  # it is not the sensor's fault
            elif scan.t_s - self._seen_s.setdefault(node, scan.t_s) > self._patience_s:
                came = "nothing" if math.isnan(value) else f"{value:g} degC"
                found[node] = (
                    f"the sensor of {node} is open: {came} from {self._instrument[node]} "
                    f"for {scan.t_s - self._seen_s[node]:.0f} s"
                )
        return found

    def _power(self, scan: Scan, on: Mapping[str, bool | None]) -> Trip | None:
        drawn = scan.each_drawn_W or {"": scan.drawn_W}
        for name, guard in self.sources.items():
            trip = guard.check(scan.t_s, drawn.get(name, math.nan), on.get(name))
            if trip is not None:
                return trip
        if self._most_W is not None and scan.power_W > self._most_W:
            text = f"all sources give {scan.power_W:.3g} W, over their limit of {self._most_W:g}"
            return Trip("power", text)
        return None
