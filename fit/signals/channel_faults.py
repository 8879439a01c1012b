"""Channels whose readings measure nothing: never read, stuck, read twice, or ambient's own.

A channel that repeats one value is distinguished from a steady one by its own noise, which would
have changed the reading, or by the neighbouring nodes, whose temperatures have changed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fit.records.run import Array
from fit.signals.cells import Index
from fit.signals.scatter import column_means

LEAST_READINGS = 8  # at zero power and under power together, as `prepare` asks of every record
LEAST_HEATED = 3  # while the power is on: fewer have no mean and no scatter
LEAST_SHARE = 0.2  # of the scans: a shorter stretch, the longest of many, is chance or no harm
CHANCE = 1e-9  # probability that a working channel repeats its value for as long, by its noise
# Of a step of the readings: larger noise changes the reading wherever the level is in its step.
FLICKERING = 0.5
ROOM_S, ROOM_K = 600.0, 0.1  # room air varies by more over as long (common practice)
MOVED_STEPS, MOVED_SIGMAS = 2.0, 6.0  # by which the other nodes must have changed
COLDER_K, JUMP_K = 10.0, 100.0  # beyond any offset; beyond any change within a scan
LAST_K, LAST_S = (
    1.0,
    600.0,
)  # in addition, and least heating, of the last node before ambient
CROSSED_TIMES, CROSSED_K = 2.0, 2.0  # more than draught or sunshine warms a room
SAME = 1e-9  # relative: readings that differ by the rounding of an average are the same


@dataclass(frozen=True)
class ChannelFault:
    """One channel that is not believed, and why in one sentence."""

    node: str
    kind: str  # "unread" | "stuck" | "copied" | "swapped"
    text: str


@dataclass(frozen=True, eq=False)
class Watched:
    """A record's raw channels, with their step and noise."""

    t_s: Array  # (n,) [s]
    nodes: tuple[str, ...]
    temperature_degC: Array  # (n, nodes) [degC], NaN = missing
    heating: Index  # rows while the power is on
    soak: int  # rows of the zero-power soak the record begins with
    step_K: Array  # (nodes,) of the readings, 0 where none was found
    noise_K: Array  # (nodes,) from scan to scan before rounding, standard deviation


def find_channel_faults(watched: Watched) -> tuple[ChannelFault, ...]:
    """Channels that measure nothing.

    Args:
        watched: the raw channels, with their noise.

    Returns:
        One fault for each such channel, in the order of the nodes.
    """
    found = _unread(watched)
    found |= {node: fault for node, fault in _copied(watched).items() if node not in found}
    found |= _stuck(watched, set(found))
    found |= _crossed(watched, set(found))
    return tuple(found[node] for node in watched.nodes if node in found)


def _unread(watched: Watched) -> dict[str, ChannelFault]:
    found = {}
    for j, node in enumerate(watched.nodes):
        read = np.isfinite(watched.temperature_degC[:, j])
        heated = int(read[watched.heating].sum())
        if not read.any():
            text = f"'{node}' was never read"
        elif len(watched.heating) and heated < min(LEAST_HEATED, len(watched.heating)):
            times = {0: "never", 1: "once"}.get(heated, f"{heated} times")
            text = f"'{node}' was read {times} while the power was on"
        elif read.sum() < LEAST_READINGS:
            text = f"'{node}' was read {int(read.sum())} times in the whole record"
        elif watched.soak and not read[: watched.soak].any():
            text = f"'{node}' was never read at zero power: its offset is not known"
        else:
            continue
        found[node] = ChannelFault(node, "unread", text)
    return found


def _copied(watched: Watched) -> dict[str, ChannelFault]:
    """Two columns with the same numbers are one reading; which node it belongs to is not known."""
    found = {}
    values = watched.temperature_degC
    for i, one in enumerate(watched.nodes):
        for j in range(i + 1, len(watched.nodes)):
            both = np.isfinite(values[:, i]) & np.isfinite(values[:, j])
            here, there = values[both, i], values[both, j]
            if len(here) < LEAST_READINGS or np.ptp(here) == 0 or not np.array_equal(here, there):
                continue
            other = watched.nodes[j]
            for node in (one, other):
                text = f"'{one}' and '{other}' show the same readings: one channel is read twice"
                found[node] = ChannelFault(node, "copied", text)
    return found


def _stuck(watched: Watched, known: set[str]) -> dict[str, ChannelFault]:
    found: dict[str, ChannelFault] = {}
    runs = [longest_repeat(column) for column in watched.temperature_degC.T]
    for j, node in enumerate(watched.nodes):
        first, last = runs[j]
        if node in known or last - first < 2:
            continue
        others = [
            i
            for i, name in enumerate(watched.nodes)
            if i != j and name not in known and runs[i] != (0, len(watched.t_s) - 1)
        ]
        tells = (_never_flickers, _left_behind, _stiller_than_air, _implausible)
        if others and any(test(watched, j, others, runs[j]) for test in tells):
            value = watched.temperature_degC[first, j]
            text = (
                f"'{node}' repeats {value:.6g} °C from {watched.t_s[first]:.0f} s"
                f" to {watched.t_s[last]:.0f} s: it does not follow its node"
            )
            found[node] = ChannelFault(node, "stuck", text)
    return found


def _crossed(watched: Watched, known: set[str]) -> dict[str, ChannelFault]:
    """Ambient and a node that rise as each other should: no node is warmed less than the room."""
    heating = watched.heating
    if "ambient" not in watched.nodes or "ambient" in known or not len(heating):
        return {}
    values = watched.temperature_degC
    rest = values[: watched.soak] if watched.soak else values[heating[:1]]
    rise = column_means(values[heating[-max(1, len(heating) // 50) :]]) - column_means(rest)
    of_room = float(rise[watched.nodes.index("ambient")])
    for j, node in enumerate(watched.nodes):
        if node in known or node == "ambient":
            continue
        if of_room > CROSSED_TIMES * max(float(rise[j]), 0.0) + CROSSED_K:
            text = (
                f"'ambient' rose by {of_room:.1f} K while '{node}' rose by {rise[j]:.1f} K:"
                " are their thermocouples swapped?"
            )
            return {one: ChannelFault(one, "swapped", text) for one in (node, "ambient")}
    return {}


def longest_repeat(values: Array) -> tuple[int, int]:
    """The longest stretch of a series that repeats one value; missing readings do not end it.

    Args:
        values: the series (n,), NaN where missing.

    Returns:
        Indices of its first and last reading.

    >>> longest_repeat(np.array([1.0, 2.0, 2.0, np.nan, 2.0, 3.0]))
    (1, 4)
    """
    rows = np.flatnonzero(np.isfinite(values))
    if not len(rows):
        return 0, 0
    read = values[rows]
    moved = np.abs(np.diff(read)) > SAME * np.maximum(np.abs(read[1:]), 1.0)
    ends = np.concatenate(([-1], np.flatnonzero(moved), [len(read) - 1]))
    longest = int(np.argmax(np.diff(ends)))
    return int(rows[ends[longest] + 1]), int(rows[ends[longest + 1]])


def _own(
    watched: Watched, j: int, others: Sequence[int], run: tuple[int, int]
) -> tuple[float, float]:
    """Step and noise of a channel [K]; of one that never shows a second value, the others'."""
    if run != (0, len(watched.t_s) - 1):
        return float(watched.step_K[j]), float(watched.noise_K[j])
    alike = list(others)
    return float(np.median(watched.step_K[alike])), float(np.median(watched.noise_K[alike]))


def _never_flickers(watched: Watched, j: int, others: Sequence[int], run: tuple[int, int]) -> bool:
    """Whether its noise makes a repetition of this length improbable (below `CHANCE`)."""
    step, noise = _own(watched, j, others, run)
    if noise <= 0 or noise < FLICKERING * step:
        return False
    # A level in the middle of its step repeats most often: the probability of the same reading.
    within = math.erf(0.5 * step / noise / math.sqrt(2)) if step > 0 else 0.0
    same = within**2 + (1 - within) ** 2 if step > 0 else 0.0
    readings = int(np.isfinite(watched.temperature_degC[run[0] : run[1] + 1, j]).sum())
    long = readings > max(LEAST_READINGS, LEAST_SHARE * len(watched.t_s))
    return long and same ** (readings - 1) < CHANCE


def _stiller_than_air(
    watched: Watched, j: int, others: Sequence[int], run: tuple[int, int]
) -> bool:
    """Whether it repeats one value for the whole record at a resolution that shows changes."""
    step, noise = _own(watched, j, others, run)
    whole = run == (0, len(watched.t_s) - 1)
    lasts = float(watched.t_s[-1] - watched.t_s[0]) > ROOM_S
    return whole and lasts and noise + step > 0 and step < ROOM_K


def _implausible(watched: Watched, j: int, others: Sequence[int], run: tuple[int, int]) -> bool:
    """Whether a node reads far below all others, or jumped by more than a node can in a scan."""
    if run[1] - run[0] < LEAST_READINGS:
        return False
    column = watched.temperature_degC[:, j]
    value = float(column[run[0]])
    rest = watched.temperature_degC[run[0] : run[1] + 1][:, list(others)]
    coldest = float(np.nanmin(rest)) if np.isfinite(rest).any() else -np.inf
    before = column[: run[0]]
    before = before[np.isfinite(before)]
    jump = abs(value - float(before[-1])) if len(before) else 0.0
    colder = watched.nodes[j] != "ambient" and value < coldest - COLDER_K
    return colder or jump > JUMP_K


def _left_behind(watched: Watched, j: int, others: Sequence[int], run: tuple[int, int]) -> bool:
    """Whether the others changed while this one repeated its value for half of the heating.

    A node warms at least as much as one further from the source. The last before ambient has none
    beyond it and lags them all: there the threshold is higher. Ambient need not change.
    """
    heating = watched.heating
    if not len(heating) or watched.nodes[j] == "ambient":
        return False
    inside = heating[(heating >= run[0]) & (heating <= run[1])]
    heated = [i for i in others if watched.nodes[i] != "ambient"]
    beyond = [i for i in heated if i > j]
    if not heated or len(inside) < max(LEAST_READINGS, 0.5 * len(heating)):
        return False
    if not beyond and watched.t_s[heating[-1]] - watched.t_s[heating[0]] < LAST_S:
        return False
    step, noise = _own(watched, j, others, run)
    eighth = max(1, len(inside) // 8)
    values = watched.temperature_degC[:, beyond or heated]
    change = np.abs(column_means(values[inside[-eighth:]]) - column_means(values[inside[:eighth]]))
    change = change[np.isfinite(change)]
    seen = MOVED_STEPS * step + MOVED_SIGMAS * noise + (0.0 if beyond else LAST_K)
    return len(change) > 0 and float(change.min()) > seen
