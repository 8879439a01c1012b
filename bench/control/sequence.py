"""The heat run as a sequence: isothermal check, soak, heat, cool, and what ends each.

Knows nothing of instruments: it is told each scan and when the power was really switched, and says
whether it wants the power on.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Collection, Mapping
from dataclasses import replace

from bench.control.slopes import Course, lagged
from bench.rig.schema import Sequence as Settings
from bench.rig.sources import Heat
from bench.status import Estimate, Scan, Trip
from fit.records.events import Phase

CHECK_S = 10.0  # the isothermal check is the first so many seconds of the soak
SETTLED = 0.01  # slope x time constant below this share of the rise (ours)
TIME_CONSTANTS = 4.6  # after so many, 1 % is left: ln 100
SLOPE_SHARE = 0.1  # the slope is taken over the last tenth of the heating
HEATED_AT_LEAST_S = 100.0  # before that, nothing is called settled
SIGNIFICANT = 3.0  # standard errors
SLOWEST = 10.0  # times the time heated: a slower time constant cannot be told from a drift
SETTLED_IN_A_ROW = 3  # judgements: a slope can pass through nothing while the room swings
DECIDED_IN_A_ROW = 3  # estimates: one that wavers over its limit has not decided
RISE_AT_LEAST_K = 0.5  # a node that does not warm by this is not waited for


class Sequence:
    """Where a heat run stands."""

    def __init__(
        self,
        settings: Settings,
        reference: str | None = None,
        started_s: float = 0.0,
        off_path: Collection[str] = (),
        heat: Heat | None = None,
    ) -> None:
        """
        Args:
            settings: [sequence] of the rig.
            reference: node whose drift is not the prototype's (ambient); None when not measured.
            started_s: record time of the start [s].
            off_path: nodes that are not waited for, and need not start as warm as the others.
            heat: which sources are on when; None: the only one, until `heat_until` is so.
        """
        self._heats = heat or Heat((frozenset({""}),), (settings.heat_s,))
        # Phases go by their time; of several sources only the budget can say that all is known.
        by_time = heat is not None and settings.heat_until == "settled"
        self._until = "time" if by_time else settings.heat_until
        self.settings = settings
        self.phase = Phase.ISOTHERMAL
        self.started_s = started_s
        self.heat_started_s: float | None = None
        self.phase_started_s = started_s
        self.trip: Trip | None = None
        self.why_heat_ended = ""
        self._reference = reference
        self._off_path = frozenset(off_path)
        self._interrupted_s: float | None = None
        self._wants: frozenset[str] = frozenset()
        self._sums: dict[str, list[float]] = {}
        self._course = Course(settings.interval_s)
        self._start_degC: Mapping[str, float] = {}
        self._decided = self._settled = 0
        self._judged_s = -math.inf
        self._left_s: float | None = None

    @classmethod
    def continued(
        cls,
        settings: Settings,
        reference: str | None,
        heat_started_s: float | None,
        heat_ended_s: float | None,
        interrupted_s: float | None = None,
        *,
        off_path: Collection[str] = (),
        heat: Heat | None = None,
    ) -> Sequence:
        """A sequence that goes on where a program that died left it.

        Args:
            settings, reference, off_path, heat: as for a new one.
            heat_started_s, heat_ended_s: record times of what was done before, or None [s].
            interrupted_s: record time at which the watchdog ended the heating, or None [s].
        """
        sequence = cls(settings, reference, off_path=off_path, heat=heat)
        sequence.phase = Phase.SOAK
        sequence._interrupted_s = interrupted_s
        if heat_ended_s is not None:
            sequence._enter(Phase.COOL, heat_ended_s)
        else:
            sequence.heat_started_s = heat_started_s
        return sequence

    @property
    def wants(self) -> frozenset[str]:
        """The sources that are to be on, "" for one without a name."""
        return self._wants

    @property
    def wants_power(self) -> bool:
        """Whether any source is to be on."""
        return bool(self._wants)

    @property
    def finished(self) -> bool:
        return self.phase == Phase.FINISHED

    def power_switched(self, on: bool, t_s: float) -> None:
        """The first source is on or the last is off, and that was confirmed at t_s [s]."""
        if on:
            if self.heat_started_s is None:
                self.heat_started_s = t_s
            self._enter(Phase.HEAT, t_s)
        elif self.phase == Phase.HEAT:
            self._enter(Phase.COOL if self.settings.cool_s else Phase.FINISHED, t_s)

    def observe(self, scan: Scan, estimate: Estimate | None = None) -> None:
        """One more scan: moves on where it is time."""
        if self._off_path:
            on_path = {n: v for n, v in scan.temperature_degC.items() if n not in self._off_path}
            scan = replace(scan, temperature_degC=on_path)
        if self.phase == Phase.ISOTHERMAL:
            self._check_isothermal(scan)
        if self.phase == Phase.SOAK:
            self._soak(scan.t_s)
        elif self.phase == Phase.HEAT:
            self._heat(scan, estimate)
        elif self.phase == Phase.COOL and scan.t_s - self.phase_started_s >= self.settings.cool_s:
            self._enter(Phase.FINISHED, scan.t_s)

    def left_s(self, t_s: float) -> float | None:
        """Time left in this phase [s]; None while it is not known."""
        if self.phase in (Phase.ISOTHERMAL, Phase.SOAK):
            return max(0.0, self.started_s + self.settings.soak_s - t_s)
        if self.phase == Phase.COOL:
            return max(0.0, self.phase_started_s + self.settings.cool_s - t_s)
        if self.phase != Phase.HEAT or self.heat_started_s is None:
            return None
        at_most = max(0.0, self.heat_started_s + self._heats.total_s - t_s)
        if self._until == "time":
            return at_most
        return None if self._left_s is None else min(at_most, self._left_s)

    def _enter(self, phase: Phase, t_s: float) -> None:
        self.phase, self.phase_started_s = phase, t_s

    def _check_isothermal(self, scan: Scan) -> None:
        for node, value in scan.temperature_degC.items():
            if not math.isnan(value):
                self._sums.setdefault(node, []).append(value)
        if scan.t_s - self.started_s < min(CHECK_S, self.settings.soak_s):
            return
        means = {node: statistics.fmean(values) for node, values in self._sums.items()}
        self.trip = off_the_others(means, self.settings.isothermal_K)
        self._enter(Phase.SOAK, self.started_s)

    def _soak(self, t_s: float) -> None:
        """Heat once the soak is over, or at once where the heating was interrupted."""
        if self.heat_started_s is None:
            over = t_s - self.started_s >= self.settings.soak_s
            self._wants = self._heats.at(0.0) if over else frozenset()
            return
        self._wants = self._heats.at(t_s - self.heat_started_s)
        if not self._wants:
            self.why_heat_ended = "resumed after the heating time had passed"
            self._enter(Phase.COOL, t_s if self._interrupted_s is None else self._interrupted_s)

    def _heat(self, scan: Scan, estimate: Estimate | None) -> None:
        assert self.heat_started_s is not None
        if not self._start_degC:
            self._start_degC = dict(scan.temperature_degC)
        self._course.add(scan.t_s, scan.temperature_degC)
        elapsed_s = scan.t_s - self.heat_started_s
        ended = ""
        self._wants = self._heats.at(elapsed_s)
        if not self._wants:
            ended = f"heated for {self._heats.total_s:g} s"
        elif self._until == "settled" and self._is_settled(scan, elapsed_s, estimate):
            ended = f"settled by its slopes after {elapsed_s:.0f} s"
        elif self._until == "decided" and self._is_decided(estimate):
            ended = f"every span decided after {elapsed_s:.0f} s"
        if ended:
            self._wants = frozenset()
            self.why_heat_ended = self.why_heat_ended or ended

    def _is_decided(self, estimate: Estimate | None) -> bool:
        if estimate is not None and estimate.t_s > self._judged_s:
            self._judged_s = estimate.t_s
            self._decided = self._decided + 1 if estimate.decided else 0
        return self._decided >= DECIDED_IN_A_ROW

    def _is_settled(self, scan: Scan, elapsed_s: float, estimate: Estimate | None) -> bool:
        """Judged again each time the heating has gone on by a hundredth; once is not enough."""
        if elapsed_s < HEATED_AT_LEAST_S or scan.t_s - self._judged_s < elapsed_s / 100:
            return False
        self._judged_s = scan.t_s
        known_s = max(estimate.tau_s, default=0.0) if estimate else 0.0
        tau_s = max(min(known_s, elapsed_s), elapsed_s / TIME_CONSTANTS)
        room = self._room(tau_s)
        left_K = [
            self._to_come(node, scan, elapsed_s, tau_s, room) for node in scan.temperature_degC
        ]
        shares = [one for one in left_K if one is not None]
        left = max((share for share, _ in shares), default=math.inf)
        slowest_s = max((tau for _, tau in shares), default=math.nan)
        self._left_s = slowest_s * math.log(left / SETTLED) if SETTLED < left < math.inf else None
        self._settled = self._settled + 1 if left <= SETTLED else 0
        return self._settled >= SETTLED_IN_A_ROW

    def _room(self, tau_s: float) -> list[float]:
        """The surroundings as the prototype follows them, bin by bin [degC]; empty if not measured.

        A case feels a swing of the room late and flattened, as it does the power: taking the room's
        own temperature off would put the swing into the rise instead of out of it.
        """
        return lagged(self._course.points(self._reference), tau_s) if self._reference else []

    def _to_come(
        self, node: str, scan: Scan, elapsed_s: float, tau_s: float, room: list[float]
    ) -> tuple[float, float] | None:
        """What is still to come as a share of the rise, and the time constant that says so [s].

        None for the reference and for a node that does not warm.
        """
        if node == self._reference:
            return None
        rise_K = self._rise(node, scan)
        if math.isnan(rise_K) or rise_K < RISE_AT_LEAST_K:
            return None
        over_s, before_s = SLOPE_SHARE * elapsed_s, 0.5 * elapsed_s
        now, u = self._course.slope_K_per_s(node, over_s, minus=room)
        before, _ = self._course.slope_K_per_s(node, over_s, before_s, minus=room)
        if math.isnan(now):
            return math.inf, math.nan
        # Something slower shows as a slope that does not fall off as it should by now.
        if abs(now) > SIGNIFICANT * u and not math.isnan(before):
            fallen = math.log(before / now) if 0 < now < before else 0.0
            slower_s = before_s / fallen if fallen > before_s / (SLOWEST * elapsed_s) else math.inf
            tau_s = max(tau_s, min(slower_s, SLOWEST * elapsed_s))
        return abs(now) * tau_s / rise_K, tau_s

    def _rise(self, node: str, scan: Scan) -> float:
        """Warmer than at the start of the heating, by more than the surroundings are [K]."""
        reference = self._reference or ""
        now, then = scan.temperature_degC, self._start_degC
        drift = now.get(reference, 0.0) - then.get(reference, 0.0)
        return now[node] - then.get(node, math.nan) - (0.0 if math.isnan(drift) else drift)


def off_the_others(means_degC: Mapping[str, float], most_K: float) -> Trip | None:
    """The channel furthest from the others' median, where that is more than most_K [K].

    >>> off_the_others({"tab": 23.1, "bar": 27.9, "case": 23.0, "ambient": 22.8}, 3.0).node
    'bar'
    """
    if len(means_degC) < 2:
        return None
    off_K = {
        node: value - statistics.median(v for n, v in means_degC.items() if n != node)
        for node, value in means_degC.items()
    }
    node = max(off_K, key=lambda name: abs(off_K[name]))
    if abs(off_K[node]) <= most_K:
        return None
    way = "above" if off_K[node] > 0 else "below"
    return Trip(
        "isothermal",
        f"with no power {node} reads {means_degC[node]:.1f} degC, {abs(off_K[node]):.1f} K {way} "
        f"the others (sequence.isothermal_K = {most_K:g}); "
        "let the rig cool, or see to that thermocouple",
        node,
    )
