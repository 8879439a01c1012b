"""Pulsed and changing power on the measured path: duty cycles and power profiles.

Down to the surface the network is linear, as measured. The surface is not: it resists less the more
heat it gives off. The heat it gives off at a time is a mean of the powers before, by the measured
shape of its response, and it is as warm as it would settle at with that heat,

    rise(t) = sum_k R_k L_k[P] + D(q(t)),  q(t) = sum_k shape_k L_k[P],  D(P): settled at a power.

A mean of powers is never above the highest of them, and D rises with heat: no pulse is hotter than
its power held, and held power settles where the steady rating says.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from fit.identification.response import Response
from fit.network.foster import response_to_power
from fit.network.passivity import sensor_lag, without_lag
from fit.rating.operating_point import OperatingPoint
from fit.rating.power_profile import Profile
from fit.records.run import Array

PERIODS_S = (1.0, 10.0, 60.0, 600.0, 3600.0)  # from a sensor's time constant to a case's
DUTIES = (0.1, 0.25, 0.5)  # common practice of data sheets' pulse curves

_POINTS = 1000  # of a profile, about: as many as a plot shows
_SCANS_SEEN = 2  # a shorter pulse is not resolved by the scans (sampling theorem)
_FACTOR_MOST = 1e4  # times: a limit no such power reaches is none
_AT_ONCE_S = 1e-9  # time constant of a stage without capacity, for a decay that is never 0/0


@dataclass(frozen=True, eq=False)
class TransientPath:
    """The fitted network of the path from the heat source to ambient, at one ambient.

    A node's rise is a sum of parts: stages before the first sensor, each with its own time
    constant; the measured path down to the surface; and the surface's own rise.
    """

    climate: OperatingPoint  # of a single draw
    source: str
    skin: str
    first: str  # first measured node
    base: str  # measured node from which the heat goes to the air
    tau_s: Array  # (K,) [s]
    inner_K_per_W: Array  # (K,) from `first` to `base`
    shape: Array  # (K,) of the rise of `base`, sum 1
    lead_K_per_W: Array  # (L,) stages before `first`, per recorded watt
    lead_tau_s: Array  # (L,)
    shortest_s: float  # two scans: nothing faster was seen [s]

    @property
    def linear_terms(self) -> tuple[Array, Array]:
        """Foster terms from the heat source down to the surface: (L + K,) [K/W], (L + K,) [s]."""
        design_W = self.climate.path.budget.conditions.power_W
        drop_K = (self.settled_K(self.first, design_W) - self.settled_K(self.base, design_W))[0]
        fitted = float(self.inner_K_per_W.sum())
        # The total of the spans is more accurate than the network's.
        inner = self.inner_K_per_W * (drop_K / design_W / fitted if fitted > 0 else 1.0)
        tau_s = np.concatenate([self.lead_tau_s, self.tau_s])
        return np.concatenate([self.lead_K_per_W, inner]), tau_s

    def settled_K(self, node: str, power_W: Array | float) -> Array:
        """Rise of a node that has settled.

        Args:
            node: of the budget.
            power_W: recorded power, held (n,) [W].

        Returns:
            Rise above ambient (n,) [K].
        """
        return self.climate.node_degC(node, power_W) - self.climate.ambient_degC


@dataclass(frozen=True)
class DutyPoint:
    """The power that pulses of a period and duty may have until the junction is at its limit."""

    period_s: float
    duty: float
    allowable_pulse_W: float
    u_W: float


@dataclass(frozen=True, eq=False)
class ProfileResult:
    """What a power profile does to the junction and the case at the worst ambient."""

    profile: Profile
    t_s: Array  # (n,) [s]
    power_W: Array  # (n,) [W]
    source_degC: Array  # (n,)
    skin_degC: Array  # (n,)
    peak_degC: float
    peak_u_K: float
    peak_t_s: float
    skin_peak_degC: float
    allowable_factor: float | None  # by which all its powers may be multiplied
    allowable_factor_u: float | None


def transient_path(
    response: Response | None, climate: OperatingPoint, measured: tuple[str, ...], skin: str
) -> TransientPath | None:
    """The network for changing power.

    Args:
        response: identified against ambient.
        climate: the path at the ambient in question.
        measured: measured nodes in the budget's order, ambient last.
        skin: the node that is touched.

    Returns:
        The network; None where the run has none against ambient, or none of the last node before.
    """
    budget = climate.path.budget
    if response is None or not response.reference == measured[-1] == budget.ambient:
        return None
    if measured[-2] not in response.nodes:  # its channel measures nothing
        return None
    # A junction read by its own voltage lies before the network that the scans show.
    first, base = next(node for node in measured if node in response.nodes), measured[-2]
    # A pulse heats the part without the delay of its sensor.
    rows, tau_s = without_lag(
        response.resistance_K_per_W,
        response.tau_s,
        sensor_lag(response.foster_R_K_per_W, response.tau_s),
    )
    row = dict(zip(response.nodes, rows, strict=True))
    source = budget.tree.sources[0]
    lead = [climate.path.parts[i] for i in climate.path.network.links_between(source, first)]
    R = np.array([part.R_K_per_W[0] for part in lead])
    C = np.array([budget.stages[part.stages[0]].C_J_per_K or 0.0 for part in lead])
    return TransientPath(
        climate=climate,
        source=source,
        skin=skin,
        first=first,
        base=base,
        tau_s=tau_s,
        inner_K_per_W=row[first] - row[base],
        shape=row[base] / row[base].sum(),
        lead_K_per_W=R,
        lead_tau_s=R / budget.conditions.path_fraction * C,
        shortest_s=_SCANS_SEEN * float(np.median(np.diff(response.signals.t_s))),
    )


def duty_table(path: TransientPath, limit_degC: float, relative_u: float) -> tuple[DutyPoint, ...]:
    """Allowable pulse power over periods and duties, settled, at the path's ambient.

    Pulses shorter than the record can resolve are left out.

    Args:
        path: to be pulsed.
        limit_degC: of the heat source [degC].
        relative_u: relative standard uncertainty of its rise.

    Returns:
        One point for each period and duty.
    """
    room_K = limit_degC - path.climate.ambient_degC

    def point(period_s: float, duty: float) -> DutyPoint:
        t_s = np.array([0.0, duty * period_s, period_s])
        load = _loaded(path, Profile(Path(), t_s, np.array([1.0, 0.0, 0.0]), repeat=True))
        power_W = reach(lambda power_W: float(load.source_K(power_W).max()), room_K)
        return DutyPoint(period_s, duty, power_W, power_W * relative_u)

    return tuple(
        point(period_s, duty)
        for period_s in PERIODS_S
        for duty in DUTIES
        if duty * period_s >= path.shortest_s
    )


def run_profile(
    path: TransientPath, profile: Profile, limit_degC: float | None, relative_u: float
) -> ProfileResult:
    """Run a power profile through the network at the path's ambient, from cold or until settled.

    Args:
        path: to be loaded.
        profile: power over time.
        limit_degC: of the heat source, None where there is none [degC].
        relative_u: relative standard uncertainty of its rise.

    Returns:
        Temperatures over time, their peaks, and the factor by which the powers may be multiplied.
    """
    load = _loaded(path, profile)
    source, skin = load.source_K(), load.skin_K()
    t, ambient = load.t_s, path.climate.ambient_degC
    hottest = int(np.argmax(source))
    factor = None
    if limit_degC is not None and source[hottest] > 0:
        factor = reach(lambda f: float(load.source_K(f).max()), limit_degC - ambient)
    return ProfileResult(
        profile=profile,
        t_s=t,
        power_W=load.power_W,
        source_degC=ambient + source,
        skin_degC=ambient + skin,
        peak_degC=float(ambient + source[hottest]),
        peak_u_K=float(relative_u * source[hottest]),
        peak_t_s=float(t[hottest]),
        skin_peak_degC=float(ambient + skin.max()),
        allowable_factor=factor,
        allowable_factor_u=None if factor is None else factor * relative_u,
    )


def dense(profile: Profile) -> tuple[Array, Array]:
    """A profile's times with others in between, closer after each change.

    Args:
        profile: of one source or several.

    Returns:
        Times (n,) [s], and the power from each on (n,) or (n, sources) [W].
    """
    steps = np.diff(profile.t_s)
    inside = np.logspace(-4, 0, int(np.clip(_POINTS / len(steps), 1, 40)) + 1)[:-1]
    between = profile.t_s[:-1, np.newaxis] + steps[:, np.newaxis] * inside
    t = np.union1d(profile.t_s, between.ravel())
    held = np.searchsorted(profile.t_s, t, side="right") - 1
    return t, profile.power_W[held]


@dataclass(frozen=True, eq=False)
class _Load:
    """A power profile on a path: what is linear in its powers, worked out once."""

    path: TransientPath
    t_s: Array  # (n,)
    power_W: Array  # (n,) from each time on
    linear_K: Array  # (n,) rise of the heat source above the surface
    heat_W: Array  # (n,) recorded power that keeps the surface as warm as it is

    def source_K(self, factor: float = 1.0) -> Array:
        """Rise of the heat source (n,) [K], all powers so many times as high."""
        settled = self.path.settled_K(self.path.base, factor * self.heat_W)
        return factor * self.linear_K + settled

    def skin_K(self) -> Array:
        """Rise of the surface that is touched (n,) [K], in time as the node beside it."""
        return self.path.settled_K(self.path.skin, self.heat_W)


def _loaded(path: TransientPath, profile: Profile) -> _Load:
    t, power = dense(profile)
    highest = profile.power_W.max()
    amplitude, tau_s = path.linear_terms
    # Noise can leave a fitted response out of what a passive network can do: a mean of powers
    # stays within them.
    linear = np.clip(_follow(amplitude, tau_s, profile, t, power), 0.0, amplitude.sum() * highest)
    heat = np.clip(_follow(path.shape, path.tau_s, profile, t, power), 0.0, highest)
    return _Load(path, t, power, linear, heat)


def _follow(amplitude: Array, tau: Array, profile: Profile, t: Array, power: Array) -> Array:
    """Response (n,) of a sum of terms, from cold, or in the profile's settled repetition."""
    return np.asarray(amplitude @ followed(tau, t, power, profile.repeat))


def followed(
    tau_s: Array, t_s: Array, power: Array, repeat: bool, between: Literal["hold", "line"] = "hold"
) -> Array:
    """First-order low-passes of an input, from cold or in its settled repetition.

    Args:
        tau_s: time constants (K,) [s].
        t_s: times (n,) [s].
        power: the input at those times (n,).
        repeat: it is run over and over.
        between: "hold" keeps each value until the next time, "line" joins them.

    Returns:
        The input as each follows it (K, n).
    """
    each = response_to_power(np.eye(len(tau_s)), tau_s, t_s, power, between)
    if repeat:
        decay = np.exp(-t_s / np.maximum(tau_s, _AT_ONCE_S)[:, np.newaxis])
        each = each + (each[:, -1] / (1 - decay[:, -1]))[:, np.newaxis] * decay
    return np.asarray(each)


def reach(rise_K: Callable[[float], float], limit_K: float) -> float:
    """The argument at which a rising function reaches a limit.

    Args:
        rise_K: of an argument from 0 on [K].
        limit_K: to be reached [K].
    """
    if limit_K <= 0:
        return 0.0
    low, high = 0.0, 1.0
    while rise_K(high) < limit_K and high < _FACTOR_MOST:
        low, high = high, 2 * high
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if rise_K(middle) < limit_K else (low, middle)
    return 0.5 * (low + high)
