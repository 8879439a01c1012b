"""Limits that end a heat run with the power off: judged on every scan, before anything else."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Collection, Mapping

from bench.control.blindness import Blindness, along_the_rig
from bench.control.slopes import slope
from bench.rig.schema import Rig
from bench.status import Scan, Trip

RATE_OVER_S = 10.0  # a rate of rise is taken over so long: 1/16 K steps in 1 s are 4 K/min
RATE_SCANS = 5  # and over so many scans
RATE_POINTS = 200  # kept at most; faster scans are thinned
PLAUSIBLE_DEGC = (-200.0, 1400.0)  # outside: an open thermocouple, by what converters then send
OVER_STATED = 1.2  # times the stated power, where no limit is given
STILL_ON = 0.1  # share of the heating power that a supply switched off may still show
NO_POWER = 0.1  # share of the heating power below which it has switched itself off
IDLE_TIMES, IDLE_W = 1.2, 1e-3  # over so many times what is shown without power, it heats [1, W]
POWER_SCANS = 3  # in a row: one reading can be of the moment of switching
SCANS_IN_SILENCE = 2.5


def patience_s(rig: Rig) -> float:
    """How long nothing may come [s]: `guard.silence_s`, but never less than two scans take."""
    return max(rig.guard.silence_s, SCANS_IN_SILENCE * rig.sequence.interval_s)


class Guard:
    """Watches every scan of a run against the limits of the rig."""

    def __init__(
        self, rig: Rig, further_along: Mapping[str, Collection[str]] | None = None
    ) -> None:
        """
        Args:
            rig: as read.
            further_along: node -> those its heat reaches later; by the order of the rig's channels
                when None.
        """
        self._limits = rig.guard
        along = along_the_rig(rig) if further_along is None else further_along
        self._blindness = Blindness(rig, along)
        self._blind: dict[str, str] = {}  # node -> why it cannot be believed now
        self._told: set[str] = set()
        self._unsaid: list[tuple[str, str]] = []
        self._patience_s = patience_s(rig)
        self._instrument = {channel.node: channel.instrument for channel in rig.channel}
        self._measured = rig.power.source == "measured"
        self._most_W = rig.guard.max_power_W
        if self._most_W is None and rig.power.power_W is not None:
            self._most_W = OVER_STATED * rig.power.power_W
        self._seen_s: dict[str, float] = {}
        self._recent: deque[tuple[float, Mapping[str, float]]] = deque()
        self._idle_W = 0.0  # most that was shown before the power came on
        self._heating_W = 0.0  # most that was shown since
        self._on_since_s: float | None = None
        self._odd_power = 0

    def check(self, scan: Scan, power_on: bool | None) -> Trip | None:
        """The first limit this scan is over, or None.

        Args:
            scan: the newest.
            power_on: as switched and confirmed; None while it is being switched.
        """
        return (
            self._too_hot(scan)
            or self._too_fast(scan)
            or self._silence(scan)
            or self._power(scan, power_on)
            or self._not_seen(scan, power_on)
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

    def _not_seen(self, scan: Scan, power_on: bool | None) -> Trip | None:
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

    def _power(self, scan: Scan, on: bool | None) -> Trip | None:
        power_W = scan.drawn_W
        if math.isnan(power_W):
            if not self._measured:
                return None
            last_s = self._seen_s.setdefault("", scan.t_s)
            if scan.t_s - last_s > self._patience_s:
                return Trip("silence", f"no power reading for {scan.t_s - last_s:.0f} s")
            return None
        self._seen_s[""] = scan.t_s
        if self._most_W is not None and power_W > self._most_W:
            text = f"the supply gives {power_W:.3g} W, over its limit of {self._most_W:g}"
            return Trip("power", text)
        text = self._odd(power_W, on)
        self._odd_power = self._odd_power + 1 if text else 0
        if text and self._odd_power >= POWER_SCANS:
            return Trip("power", text)
        return self._never_came(scan, on)

    @property
    def heated(self) -> bool:
        """The supply's own figures have shown a heating power."""
        return self._heating_W > 0

    def still_on(self, power_W: float) -> str:
        """What is strange about a power [W] shown while it is off; empty when nothing is."""
        if self.heated and power_W > STILL_ON * self._heating_W:
            return f"the supply is off but still gives {power_W:.3g} W"
        return ""

    def _odd(self, power_W: float, on: bool | None) -> str:
        """What is strange about the power; empty when nothing is."""
        if on is False:
            if not self.heated:
                self._idle_W = max(self._idle_W, power_W)
            return self.still_on(power_W)
        if on:
            if self.heated and power_W < NO_POWER * self._heating_W:
                return f"the supply is on but gives only {power_W:.3g} W: its own limit may hold it"
            if power_W > IDLE_TIMES * self._idle_W + IDLE_W:
                self._heating_W = max(self._heating_W, power_W)
        return ""

    def _never_came(self, scan: Scan, on: bool | None) -> Trip | None:
        """Switched on, and for as long as a silence may last no power to be seen."""
        if not on or self.heated:
            self._on_since_s = None
            return None
        if self._on_since_s is None:
            self._on_since_s = scan.t_s
        on_s = scan.t_s - self._on_since_s
        if on_s <= self._patience_s:
            return None
        text = (
            f"the power is on, but for {on_s:.0f} s the supply has shown {scan.drawn_W:.3g} W: "
            "is the load connected, are voltage and current set?"
        )
        return Trip("power", text)
