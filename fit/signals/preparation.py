"""From a run as recorded to signals fit for identification: offsets, spikes, power steps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fit.errors import NotIdentifiable
from fit.records.events import EventName
from fit.records.run import Array, Event, Run
from fit.signals.cells import Index
from fit.signals.channel_faults import LEAST_HEATED, ChannelFault, Watched, find_channel_faults
from fit.signals.quantization import ScanNoise, scan_noise
from fit.signals.scatter import (
    SAMPLED,
    levels_of,
    noise,
    noise_without_spikes,
    quantum,
    sampled,
)
from fit.signals.spikes import BLOCK, power_without_spikes, spikes

FEW_AT_REST = 10  # scans: fewer give no useful noise estimate
MANY_EDGES = 60  # more steps than this: the power is taken as arbitrary, not as phases
SHORTEST_SOAK = 3  # samples
APART_K = 6.0  # between nodes at the start: more than two thermocouples' tolerances
POWER_ON = 0.01  # of the highest power: less is zero power, a supply's own reading of nothing
HOT_SHARE = 0.01  # of the rise reached: movement before the step that must not be left out


@dataclass(frozen=True, eq=False)
class Signals:
    """Offset-corrected readings, with a record of every correction."""

    t_s: Array  # (n,) [s]
    nodes: tuple[str, ...]
    temperature_degC: (
        Array  # (n, nodes) [degC], zero-power offset removed, NaN = missing or left out
    )
    power: Array  # (n,) [power_unit]
    power_unit: str
    zero_power_offset_K: Array  # (nodes,) [K], NaN where no soak was recorded
    zero_power_offset_u_K: Array  # (nodes,) [K], standard uncertainty
    power_edges_s: tuple[float, ...]  # times at which the power stepped [s]
    left_out: tuple[str, ...]  # what was left out and why, one sentence each
    warnings: tuple[str, ...]
    phase_starts: tuple[int, ...] = (0,)  # index of the first sample of each phase
    edge_known: tuple[bool, ...] = (True,)  # per phase: its edge came from the events
    soak_samples: int = 0  # samples of the zero-power soak the record begins with
    quantum_K: Array | None = None  # (nodes,) step of the readings, 0 where none was found [K]
    noise_K: Array | None = None  # (nodes,) scan-to-scan noise, standard deviation [K]
    hot_start: bool = False  # the record begins while earlier heat still decays
    faults: tuple[ChannelFault, ...] = ()  # channels that measure nothing, left out of `nodes`
    sources: tuple[str, ...] = ()  # by name; none where there is one without
    source_power: Array | None = None  # (n, sources) [power_unit], where sources have names
    lags: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """Known time constants of sensors, with their standard uncertainties [s]."""
    match_u: Mapping[str, float] = field(default_factory=dict)
    """Relative standard uncertainty of a node's rise, where the rig states it."""

    @cached_property
    def scan_noise(self) -> tuple[ScanNoise, ...]:
        """White noise of each column from scan to scan, before rounding."""
        steps = np.zeros(len(self.nodes)) if self.quantum_K is None else self.quantum_K
        columns = zip(self.temperature_degC.T, steps, strict=True)
        return tuple(scan_noise(readings, float(step)) for readings, step in columns)


def placeholders(temperature_degC: Array) -> int:
    """Leading scans in which every channel shows one and the same number that then disappears.

    Args:
        temperature_degC: readings (n, nodes) [degC].

    Returns:
        How many scans.
    """
    nodes = temperature_degC.shape[1]
    if nodes < 2 or len(temperature_degC) < 4:
        return 0
    first = temperature_degC[0]
    if not np.isfinite(first).all() or np.ptp(first) > 0:
        return 0
    same = (temperature_degC[: len(temperature_degC) // 2] == first[0]).all(axis=1)
    lead = int(np.argmin(same)) if not same.all() else 0
    following = temperature_degC[lead : lead + 200]
    still_seen = (following == first[0]).mean()
    return lead if lead and still_seen < 0.02 else 0


def edges(power: Array) -> Index:
    """Steps of the power.

    Args:
        power: held at each sample (n,) [power unit].

    Returns:
        Index of the first sample after each step (e,); none where there are more than `MANY_EDGES`.

    >>> edges(np.array([0.0, 0.0, 0.0, 4.2, 4.2, 0.0])).tolist()
    [3, 5]
    """
    change = np.abs(np.diff(power))
    span = float(np.ptp(power))
    if span == 0.0:
        return np.array([], dtype=np.intp)
    ripple = float(np.median(sampled(change)))
    large = np.flatnonzero(change > max(0.05 * span, 12 * ripple)) + 1
    if len(large) > MANY_EDGES:
        return np.array([], dtype=np.intp)
    # A supply that ramps up slowly has no step; the start of heating is still an edge.
    begins = _begins(power)
    return large if begins < SHORTEST_SOAK else np.union1d(large, [begins])


def _edge_times(t_s: Array, starts: Index, power: Array, events: tuple[Event, ...]) -> Array:
    """Time of each step (e,) [s]: the event's where one lies within its scan, else NaN."""
    times = np.full(len(starts), np.nan)
    marks = [e.t_s for e in events if e.event in (EventName.POWER_ON, EventName.POWER_OFF)]
    for k, start in enumerate(starts):
        scan = t_s[start] - t_s[start - 1]
        near = [m for m in marks if t_s[start - 1] - 0.5 * scan <= m <= t_s[start] + 0.01 * scan]
        if near:
            times[k] = min(max(near[0], t_s[start - 1]), t_s[start])
    return times


def _clean(run: Run) -> tuple[Run, list[str]]:
    """Drop scans that cannot be used: times that do not advance, placeholders, no power known."""
    left_out = list(run.left_out)
    t_s, temperature = run.t_s, run.temperature_degC
    each = run.power[:, np.newaxis] if run.source_power is None else run.source_power
    if not (t_s[1:] > t_s[:-1]).all():
        advancing = np.append(True, t_s[1:] > np.maximum.accumulate(t_s)[:-1])
        left_out.append(f"{np.sum(~advancing)} scans whose time stamp repeats or runs backwards")
        t_s, temperature, each = t_s[advancing], temperature[advancing], each[advancing]
    lead = placeholders(temperature)
    if lead:
        left_out.append(
            f"{lead} placeholder scan{'s' if lead > 1 else ''} at the start"
            f" (every channel {temperature[0, 0]:g} degC)"
        )
        t_s, temperature, each = t_s[lead:], temperature[lead:], each[lead:]
    each = np.column_stack([_held(column, left_out) for column in each.T])
    named = None if run.source_power is None else each
    run = replace(
        run, t_s=t_s, temperature_degC=temperature, power=each.sum(axis=1), source_power=named
    )
    return run, left_out


def _held(power: Array, left_out: list[str]) -> Array:
    """A power (n,), each missing reading replaced by the last one before; noted in `left_out`."""
    missing = ~np.isfinite(power)
    if not missing.any() or missing.all():
        return power
    held = power[np.maximum.accumulate(np.where(missing, 0, np.arange(len(power))))]
    left_out.append(f"{missing.sum()} missing power readings, the last one held")
    return np.where(np.isfinite(held), held, power[~missing][0])


def _is_on(power: Array) -> NDArray[np.bool_]:
    return np.abs(power) > POWER_ON * np.abs(power).max()


def _begins(power: Array) -> int:
    """Index of the first sample with the power on; 0 where none or the first has it."""
    return int(np.argmax(_is_on(power)))


def _zero_power_soak(power: Array) -> int:
    """Samples of the zero-power soak before the power comes on, 0 when the record has none."""
    soak = _begins(power)
    return soak if soak >= SHORTEST_SOAK else 0


def _means(values: Array) -> Array:
    """Mean of each column (nodes,) of values (n, nodes), missing ones left out."""
    mean = values.mean(axis=0)
    if np.isfinite(mean).all():
        return np.asarray(mean)
    present = np.isfinite(values)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(present, values, 0.0).sum(axis=0) / present.sum(axis=0))


def _relative(soak: Array) -> Array:
    """A soak's readings (n, nodes) less the mean change of all channels at each scan."""
    moved = soak - _means(soak)
    present = np.isfinite(moved)
    common = np.where(present, moved, 0.0).sum(axis=1) / np.maximum(present.sum(axis=1), 1)
    return np.asarray(soak - common[:, None])


def _soak_offsets(t_s: Array, soak: Array, noise_K: Array, step: Array) -> tuple[Array, Array]:
    """Offsets of the channels (nodes,) [K] from their common mean, standard uncertainties."""
    level = _means(soak)
    present = np.isfinite(soak)
    count = np.maximum(present.sum(axis=0), 1)
    clock = np.where(present, t_s[:, None], 0.0)
    clock = np.where(present, clock - clock.sum(axis=0) / count, 0.0)
    moved = np.where(present, _relative(soak), 0.0)
    lever = (clock**2).sum(axis=0)
    slope = (clock * moved).sum(axis=0) / np.where(lever > 0, lever, np.inf)
    drift = np.where(count > 3, np.abs(slope) * (t_s[-1] - t_s[0]) / np.sqrt(12), 0.0)
    scatter = np.sqrt(_means((soak - level) ** 2))
    stuck = np.where(scatter < 0.3 * step, step / np.sqrt(12), 0.0)
    return level - np.nanmean(level), np.sqrt(noise_K**2 / count + drift**2 + stuck**2)


def _starts_hot(temperature: Array, soak: int, noise_K: Array, step: Array) -> bool:
    """Whether temperatures between nodes still change before the first step.

    Without a soak: whether nodes differ by more than thermocouples' offsets.
    """
    if not soak:
        return float(np.ptp(_means(temperature[:5]))) > APART_K
    quarter = max(1, soak // 4)
    relative = _relative(temperature[:soak])
    change = np.abs(_means(relative[soak - quarter : soak]) - _means(relative[:quarter]))
    heated = temperature[soak :: max(1, (len(temperature) - soak) // SAMPLED)]
    reached = float(np.ptp(np.fmax.reduce(heated, axis=0) - _means(temperature[:soak])))
    seen = 6 * noise_K * np.sqrt(2 / quarter) + step
    return bool(np.any(change > np.maximum(seen, HOT_SHARE * reached)))


def _by_column(values: Array) -> Array:
    """A copy (n, nodes) whose columns lie one after the other in memory."""
    copy = np.empty(values.shape, order="F")
    for begin in range(0, len(values), BLOCK):
        copy[begin : begin + BLOCK] = values[begin : begin + BLOCK]
    return copy


def prepare(run: Run) -> Signals:
    """Clean a run and remove its zero-power offsets.

    Args:
        run: as read.

    Returns:
        The signals, with what was left out and why.

    Raises:
        NotIdentifiable: fewer than 8 usable scans are left, or no power was recorded.
    """
    run, left_out = _clean(run)
    t_s, power = run.t_s, run.power
    warnings: list[str] = []
    if len(t_s) < 8:
        plural = "" if len(t_s) == 1 else "s"
        raise NotIdentifiable(
            f"{run.path}: only {len(t_s)} usable scan{plural}; at least 8 are needed"
        )
    if not np.isfinite(power).all():
        raise NotIdentifiable(f"{run.path}: no power was recorded; state it on import")
    each = power[:, np.newaxis] if run.source_power is None else run.source_power
    without = [power_without_spikes(t_s, column) for column in each.T]
    each = np.column_stack([column for column, _ in without])
    left_out += [sentence for _, odd in without for sentence in odd]
    power = each.sum(axis=1)
    if 0 < (heated := np.count_nonzero(_is_on(power))) < LEAST_HEATED:
        raise NotIdentifiable(
            f"{run.path}: the power is on in {heated} scan{'s' if heated > 1 else ''} only;"
            f" at least {LEAST_HEATED} are needed"
        )
    # Two sources that change places leave their sum as it was.
    starts = np.unique(np.concatenate([edges(column) for column in each.T]))
    times = _edge_times(t_s, starts, power, run.events)
    soak = _zero_power_soak(power)
    run, temperature, step, noise_K, faults = _believed(run, power, soak)
    for j, node in enumerate(run.nodes):
        readings = temperature[:, j]
        found = spikes(readings, step[j], noise_K[j])
        if len(found):
            where = ", ".join(f"{t:g}" for t in t_s[found[:4]])
            more = ", ..." if len(found) > 4 else ""
            plural = "s" if len(found) > 1 else ""
            left_out.append(f"{len(found)} spike{plural} of {node} at {where}{more} s")
            readings[found] = np.nan
        noise_K[j] = noise_without_spikes(readings)
    offset, offset_u = np.full(len(run.nodes), np.nan), np.full(len(run.nodes), np.nan)
    hot = len(run.nodes) > 1 and _starts_hot(temperature, soak, noise_K, step)
    if hot:
        warnings.append(
            "the record begins warm: what is left of earlier heat is fitted beside the power, and"
            " the thermocouples' offsets are not known beforehand; let it cool before the next run"
        )
    elif soak and len(run.nodes) > 1:
        offset, offset_u = _soak_offsets(t_s[:soak], temperature[:soak], noise_K, step)
        temperature -= np.where(np.isfinite(offset), offset, 0.0)
    elif len(run.nodes) > 1 and np.any(power):
        warnings.append(
            "no zero-power soak: the thermocouples' offsets are not known, each node's start is"
            " taken from the fitted curve"
        )
    known = np.isfinite(times)
    scans = np.where(known, times, t_s[starts])
    return Signals(
        t_s=t_s,
        nodes=run.nodes,
        temperature_degC=temperature,
        power=power,
        power_unit=run.power_unit,
        zero_power_offset_K=offset,
        zero_power_offset_u_K=offset_u,
        power_edges_s=tuple(map(float, scans)),
        left_out=tuple(left_out),
        warnings=tuple(warnings),
        phase_starts=(0, *map(int, starts)),
        edge_known=(True, *map(bool, known)),
        soak_samples=soak,
        quantum_K=step,
        noise_K=noise_K,
        hot_start=hot,
        faults=faults,
        sources=run.sources,
        source_power=None if run.source_power is None else each,
        lags=run.metadata.lags,
        match_u=run.metadata.match_u,
    )


def _noise_at_rest(values: Array, step: float) -> float:
    """Standard deviation of the scan-to-scan noise of a series (n,) before rounding [K].

    0 where it shows two levels or fewer: noise far smaller than a step flickers so at its edge.
    """
    if len(levels_of(values)) <= 2:
        return 0.0
    return scan_noise(values, step).sd_K


def _believed(
    run: Run, power: Array, soak: int
) -> tuple[Run, Array, Array, Array, tuple[ChannelFault, ...]]:
    """The run without the channels that measure nothing, and which those are.

    Also a copy of its temperatures, their steps and their noise.
    """
    temperature = _by_column(run.temperature_degC)
    step, noise_K = (np.array([of(column) for column in temperature.T]) for of in (quantum, noise))
    heating = np.flatnonzero(_is_on(power))
    # At rest noise is all that moves a reading.
    still = temperature[:soak] if soak > FEW_AT_REST else temperature
    before_K = np.array([_noise_at_rest(*one) for one in zip(still.T, step, strict=True)])
    watched = Watched(run.t_s, run.nodes, temperature, heating, soak, step, before_K)
    faults = find_channel_faults(watched)
    if not faults:
        return run, temperature, step, noise_K, ()
    bad = {fault.node for fault in faults}
    kept = [j for j, node in enumerate(run.nodes) if node not in bad]
    if not any(run.nodes[j] != "ambient" for j in kept):
        why = "; ".join(dict.fromkeys(fault.text for fault in faults))
        raise NotIdentifiable(f"{run.path}: no channel is left that measures a node: {why}")
    nodes = tuple(run.nodes[j] for j in kept)
    run = replace(run, nodes=nodes, temperature_degC=run.temperature_degC[:, kept])
    return run, _by_column(temperature[:, kept]), step[kept], noise_K[kept], faults


def only(signals: Signals, nodes: tuple[str, ...]) -> Signals:
    """The same signals with some of the nodes.

    Args:
        signals: of all nodes.
        nodes: those to keep, in the order wanted.

    Returns:
        The signals of these nodes.
    """
    columns = [signals.nodes.index(node) for node in nodes]

    def pick(values: Array | None) -> Array | None:
        return None if values is None else values[columns]

    return replace(
        signals,
        nodes=nodes,
        temperature_degC=signals.temperature_degC[:, columns],
        zero_power_offset_K=signals.zero_power_offset_K[columns],
        zero_power_offset_u_K=signals.zero_power_offset_u_K[columns],
        quantum_K=pick(signals.quantum_K),
        noise_K=pick(signals.noise_K),
    )
