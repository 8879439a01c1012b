"""Identification while a run is being logged: bounded memory and time at any length of record.

Scans are averaged as they come, in blocks that are single scans at first and grow with the
time since the last power step. The blocks are a short record of their own, identified like any
other.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from fit.errors import HeatrunError
from fit.identification.response import Response, choose_reference, identify_signals
from fit.measurement.spans import Spans, measure_signals
from fit.records.run import Array, Event, Run
from fit.signals.preparation import Signals, prepare

BLOCKS_PER_PHASE = 120
GROWTH = 0.08  # a block is as long as this share of the time since the last power step
Block = tuple[float, float, Array, float, int]  # start, mean time, temperatures, power, scans
SPANS_GROWTH = 1.03  # the spans are measured anew when the scans have grown by so much
STEP_SHARE = 0.05  # of the largest power seen: a change by more begins a phase


class Follower:
    """Takes scans as they come; `estimate()` identifies what has come so far.

    nodes: measured nodes in order of the heat path. reference: node rises are taken above.
    """

    def __init__(
        self, nodes: tuple[str, ...], reference: str | None = None, max_order: int = 4
    ) -> None:
        self.nodes = tuple(nodes)
        self.reference = choose_reference(self.nodes, reference)
        self.max_order = max_order
        self._blocks: list[Block] = []
        self._open: _Open | None = None
        self._phase_start_s: float | None = None
        self._phase_first = 0
        self._power = 0.0
        self._largest_power = 0.0
        self._latest_s = -np.inf
        self._edges: list[Event] = []
        self._recent: list[Array] = []
        self._scans = 0
        self._latest: Response | None = None
        self._spans: tuple[int, int, Spans | None] = (0, 0, None)  # scans, steps, as measured then
        self._bends = 0
        self._bend_sum = np.zeros(len(self.nodes))
        self._bend_count = np.zeros(len(self.nodes))

    def add(self, t_s: float, temperature_degC: Array | list[float], power_W: float) -> None:
        """Take one scan: time [s], one temperature per node [degC, NaN = missing], power [W].

        A scan whose time does not advance is left out.
        """
        if not t_s > self._latest_s:
            return
        previous_s, self._latest_s = self._latest_s, t_s
        reading = np.asarray(temperature_degC, dtype=float)
        if reading.shape != (len(self.nodes),):
            raise ValueError(f"{len(reading)} temperatures for {len(self.nodes)} nodes")
        self._largest_power = max(self._largest_power, abs(power_W))
        stepped = abs(power_W - self._power) > STEP_SHARE * self._largest_power
        if self._phase_start_s is None or stepped:
            if stepped and self._phase_start_s is not None:
                self._edges.append(Event(0.5 * (previous_s + t_s), "power_on"))
            self._close()
            self._phase_start_s, self._phase_first = t_s, len(self._blocks)
            self._power = power_W
        self._scans += 1
        if self._open is None:
            self._open = _Open(t_s, len(self.nodes))
        self._open.add(t_s, reading, power_W)
        self._note_noise(reading)
        if t_s - self._open.start_s >= GROWTH * (t_s - self._phase_start_s):
            self._close()

    def _note_noise(self, reading: Array) -> None:
        """Scan-to-scan noise: mean square of x[i] - (x[i-1] + x[i+1]) / 2, steps left out."""
        self._recent = [*self._recent[-2:], reading]
        if len(self._recent) < 3:
            return
        bend = (self._recent[1] - 0.5 * (self._recent[0] + self._recent[2])) ** 2
        self._bends += 1
        mean = self._bend_sum / np.maximum(self._bend_count, 1)
        usual = np.isfinite(bend) & ((self._bend_count < 5) | (bend < 25 * mean + 1e-8))
        self._bend_sum += np.where(usual, bend, 0.0)
        self._bend_count += usual

    def _close(self) -> None:
        if self._open is None:
            return
        self._blocks.append(self._open.block())
        self._open = None
        if len(self._blocks) - self._phase_first > BLOCKS_PER_PHASE:
            self._thin()

    def _thin(self) -> None:
        """Merge neighbouring blocks of the phase so far where both are small for their age."""
        start = self._phase_first
        assert self._phase_start_s is not None
        kept = self._blocks[:start]
        pending = self._blocks[start:]
        i = 0
        while i < len(pending):
            pair = pending[i : i + 2]
            age = pair[0][1] - self._phase_start_s
            if len(pair) == 2 and pair[1][1] - pair[0][1] < 0.5 * max(GROWTH * age, 1e-9):
                kept.append(_merged(pair[0], pair[1]))
                i += 2
            else:
                kept.append(pair[0])
                i += 1
        self._blocks = kept

    def record(self) -> Run:
        """The blocks so far as a record: one row per block at its mean time."""
        blocks = self._all_blocks()
        return Run(
            path=Path("live"),
            label="live",
            nodes=self.nodes,
            t_s=np.array([block[1] for block in blocks]),
            temperature_degC=np.array([block[2] for block in blocks]).reshape(-1, len(self.nodes)),
            power=np.array([block[3] for block in blocks]),
            events=tuple(self._edges),
        )

    def _all_blocks(self) -> list[Block]:
        return self._blocks if self._open is None else [*self._blocks, self._open.block()]

    def _signals(self) -> tuple[Signals, Run] | None:
        run = self.record()
        if not np.any(run.power) or self._bends < 3:
            return None
        signals = prepare(run)
        scans = np.array([block[4] for block in self._all_blocks()], dtype=float)
        noise_K = np.sqrt(self._bend_sum / np.maximum(self._bend_count, 1) / 1.5)
        return replace(signals, scans=scans[-len(signals.t_s) :], noise_K=noise_K), run

    def estimate(self) -> Response | None:
        """Identify the scans so far; None while they do not carry an answer."""
        try:
            found = self._signals()
            if found is None:
                return None
            signals, run = found
            near = None if self._latest is None else self._latest.fit
            self._latest = identify_signals(
                signals, self.reference or None, self.max_order, run=run, near=near
            )
        except HeatrunError:
            return None
        return self._latest

    def spans(self) -> Spans | None:
        """Measure the spans of the scans so far; None while they do not carry an answer.

        What was found stands until the scans have grown by a few per cent or the power has stepped.
        """
        scans, steps, found = self._spans
        if steps == len(self._edges) and self._scans < SPANS_GROWTH * scans:
            return found
        self._spans = (self._scans, len(self._edges), self._measure())
        return self._spans[2]

    def _measure(self) -> Spans | None:
        try:
            found = self._signals()
            return None if found is None else measure_signals(*found)
        except HeatrunError:
            return None


class _Open:
    """The block that scans are added to, as sums: it costs the same at any length."""

    def __init__(self, start_s: float, nodes: int) -> None:
        self.start_s = start_s
        self._scans, self._time_s, self._power = 0, 0.0, 0.0
        self._total, self._present = np.zeros(nodes), np.zeros(nodes)

    def add(self, t_s: float, reading: Array, power_W: float) -> None:
        self._scans += 1
        self._time_s += t_s - self.start_s
        self._power += power_W
        present = np.isfinite(reading)
        self._total += np.where(present, reading, 0.0)
        self._present += present

    def block(self) -> Block:
        mean = np.where(self._present > 0, self._total / np.maximum(self._present, 1), np.nan)
        time_s = self.start_s + self._time_s / self._scans
        return self.start_s, time_s, mean, self._power / self._scans, self._scans


def _merged(one: Block, other: Block) -> Block:
    count = one[4] + other[4]
    share = one[4] / count
    mean = share * one[2] + (1 - share) * other[2]
    return (
        one[0],
        share * one[1] + (1 - share) * other[1],
        mean,
        share * one[3] + (1 - share) * other[3],
        count,
    )
