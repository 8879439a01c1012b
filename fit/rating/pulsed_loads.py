"""Pulsed and changing power on the measured path: duty cycles and power profiles.

The fitted network is linear. Its part from the case to the air is scaled to the resistance of the
surface at the mean power and the ambient in question; the time constants are those measured.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from fit.errors import InputError
from fit.identification.response import Response
from fit.network.foster import pulse_extremes, response_to_power
from fit.network.passivity import sensor_lag, without_lag
from fit.rating.operating_point import OperatingPoint
from fit.records.plain_file import LARGEST_PROFILE, read_plain
from fit.records.run import Array

COLUMNS = ("t_s", "power_W")
PERIODS_S = (1.0, 10.0, 60.0, 600.0, 3600.0)  # from a sensor's time constant to a case's
DUTIES = (0.1, 0.25, 0.5)  # common practice of data sheets' pulse curves

_POINTS = 1000  # of a profile, about: as many as a plot shows
_SCANS_SEEN = 2  # a shorter pulse is not resolved by the scans (sampling theorem)
_FACTOR_MOST = 1e4  # times: a limit no such power reaches is none
_AT_ONCE_S = 1e-9  # time constant of a stage without capacity, for a decay that is never 0/0


@dataclass(frozen=True)
class Profile:
    """Power over time; each power holds until the next time, the last time ends it.

    >>> load = Profile(Path("load.csv"), np.array([0.0, 10.0, 40.0]), np.array([6.0, 2.0, 2.0]))
    >>> load.mean_W  # (6 x 10 + 2 x 30) / 40
    3.0
    """

    path: Path
    t_s: Array  # (n,) from 0 [s]
    power_W: Array  # (n,) [W]
    repeat: bool = False  # over and over, until it has settled

    @property
    def mean_W(self) -> float:
        """Mean power over its length [W]."""
        step = np.diff(self.t_s)
        return float(np.sum(self.power_W[:-1] * step) / np.sum(step))


@dataclass(frozen=True)
class TransientPath:
    """The fitted network of the path from the heat source to ambient, at one ambient.

    A node's rise is a sum of parts: stages before the first sensor, each with its own time
    constant; the measured path down to the surface; the surface's own rise, whose shape in time is
    measured and whose size depends on the mean power.
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

    def source_terms(self, mean_W: float) -> tuple[Array, Array]:
        """Foster terms of the heat source.

        Args:
            mean_W: mean power, at which the surface's resistance is taken [W].

        Returns:
            Amplitudes (L + K,) [K/W] and time constants (L + K,) [s].
        """
        base = self._total(self.base, mean_W)
        inner = self._scaled(self._total(self.first, mean_W) - base)
        amplitude = np.concatenate([self.lead_K_per_W, inner + base * self.shape])
        return amplitude, np.concatenate([self.lead_tau_s, self.tau_s])

    def skin_terms(self, mean_W: float) -> tuple[Array, Array]:
        """Foster terms of the surface that is touched, in time as the node beside it.

        Args:
            mean_W: mean power, at which the surface's resistance is taken [W].

        Returns:
            Amplitudes (K,) [K/W] and time constants (K,) [s].
        """
        return self._total(self.skin, mean_W) * self.shape, self.tau_s

    def _total(self, node: str, mean_W: float) -> float:
        power = max(mean_W, 1e-3)
        return float(self.climate.node_degC(node, power)[0] - self.climate.ambient_degC) / power

    def _scaled(self, total: float) -> Array:
        """Inner amplitudes scaled to the total of the spans, which is more accurate."""
        fitted = float(self.inner_K_per_W.sum())
        return self.inner_K_per_W * (total / fitted if fitted > 0 else 1.0)


@dataclass(frozen=True)
class DutyPoint:
    """The power that pulses of a period and duty may have until the junction is at its limit."""

    period_s: float
    duty: float
    allowable_pulse_W: float
    u_W: float


@dataclass(frozen=True)
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
        The network; None where the run has none against ambient.
    """
    budget = climate.path.budget
    if response is None or not response.reference == measured[-1] == budget.ambient:
        return None
    first, base = measured[0], measured[-2]
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
        def peak_K(power_W: float) -> float:
            terms = path.source_terms(duty * power_W)
            return power_W * float(pulse_extremes(*terms, duty * period_s, period_s)[0])

        power_W = _reach(peak_K, room_K)
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
    t, power = _dense(profile)
    source = _rise(path.source_terms(profile.mean_W), profile, t, power)
    skin = _rise(path.skin_terms(profile.mean_W), profile, t, power)
    ambient = path.climate.ambient_degC
    hottest = int(np.argmax(source))
    factor = None
    if limit_degC is not None and source[hottest] > 0:

        def peak_K(f: float) -> float:
            return f * float(_rise(path.source_terms(f * profile.mean_W), profile, t, power).max())

        factor = _reach(peak_K, limit_degC - ambient)
    return ProfileResult(
        profile=profile,
        t_s=t,
        power_W=power,
        source_degC=ambient + source,
        skin_degC=ambient + skin,
        peak_degC=float(ambient + source[hottest]),
        peak_u_K=float(relative_u * source[hottest]),
        peak_t_s=float(t[hottest]),
        skin_peak_degC=float(ambient + skin.max()),
        allowable_factor=factor,
        allowable_factor_u=None if factor is None else factor * relative_u,
    )


def read_profile(path: Path, repeat: bool = False) -> Profile:
    """Read a power profile: CSV with the columns t_s and power_W on its first line.

    Args:
        path: of the file.
        repeat: the profile is run over and over.

    Returns:
        The profile, its time from 0.

    Raises:
        InputError: the file cannot be used; the message names file, line and remedy.
    """
    data = read_plain(path, LARGEST_PROFILE, error=InputError, missing="name a CSV file")
    try:
        rows = list(csv.reader(data.decode("utf-8-sig").splitlines()))
    except UnicodeDecodeError:
        raise InputError(path, "", "is not UTF-8 text", "save it as plain UTF-8 text") from None
    except csv.Error as error:
        raise InputError(
            path, "", f"is no CSV ({error})", "begin with the line t_s,power_W"
        ) from None
    header = [cell.strip() for cell in rows[0]] if rows else []
    missing = [column for column in COLUMNS if column not in header]
    if missing:
        raise InputError(
            path, "line 1", f"no column {missing[0]}", "begin with the line t_s,power_W"
        )
    if twice := [column for column in COLUMNS if header.count(column) > 1]:
        raise InputError(path, "line 1", f"column {twice[0]} stands twice", "each column once")
    place = [header.index(column) for column in COLUMNS]
    body = [(i, row) for i, row in enumerate(rows[1:], 2) if any(cell.strip() for cell in row)]
    values = np.array([_numbers(path, i, row, place) for i, row in body]).reshape(-1, 2)
    if len(values) < 2:
        count = "1 row" if len(values) else "no row"
        raise InputError(path, "", f"has {count}", "two at least: the last time ends it")
    for (i, _), (before, now) in zip(body[1:], pairwise(values[:, 0]), strict=True):
        if not now > before:
            raise InputError(
                path, f"line {i}", f"t_s {now:g} after {before:g}", "times must ascend"
            )
    return Profile(path, values[:, 0] - values[0, 0], values[:, 1], repeat)


def _numbers(path: Path, line: int, row: list[str], place: list[int]) -> tuple[float, float]:
    cells = [row[i].strip() if i < len(row) else "" for i in place]
    numbers = []
    for column, cell in zip(COLUMNS, cells, strict=True):
        try:
            number = float(cell)
        except ValueError:
            number = math.nan
        if not math.isfinite(number) or (column == "power_W" and number < 0):
            raise InputError(
                path,
                f"line {line}, {column}",
                f"{cell!r} will not do",
                "a number, for power 0 or more",
            )
        numbers.append(number)
    return numbers[0], numbers[1]


def _dense(profile: Profile) -> tuple[Array, Array]:
    """Its times with others in between, closer after each change, and the power from each on."""
    steps = np.diff(profile.t_s)
    inside = np.logspace(-4, 0, int(np.clip(_POINTS / len(steps), 1, 40)) + 1)[:-1]
    between = profile.t_s[:-1, np.newaxis] + steps[:, np.newaxis] * inside
    t = np.union1d(profile.t_s, between.ravel())
    held = np.searchsorted(profile.t_s, t, side="right") - 1
    return t, profile.power_W[held]


def _rise(terms: tuple[Array, Array], profile: Profile, t: Array, power: Array) -> Array:
    """Rise (n,) [K] from cold, or in the profile's settled repetition."""
    amplitude, tau = terms
    each = response_to_power(np.eye(len(tau)), tau, t, power)
    if profile.repeat:
        decay = np.exp(-t / np.maximum(tau, _AT_ONCE_S)[:, np.newaxis])
        each = each + (each[:, -1] / (1 - decay[:, -1]))[:, np.newaxis] * decay
    return amplitude @ each


def _reach(rise_K: Callable[[float], float], limit_K: float) -> float:
    """The argument at which a rising function reaches a limit."""
    if limit_K <= 0:
        return 0.0
    low, high = 0.0, 1.0
    while rise_K(high) < limit_K and high < _FACTOR_MOST:
        low, high = high, 2 * high
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if rise_K(middle) < limit_K else (low, middle)
    return 0.5 * (low + high)
