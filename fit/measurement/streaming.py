"""Identification while a run is being logged: the record so far, measured as any other.

Scans are kept as they are, so that results while logging are those of the finished record. A
record longer than `MOST_ROWS` is averaged in pairs of neighbouring scans, repeatedly: memory and
time are bounded at any length.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from fit.errors import HeatrunError
from fit.identification.identify import Identification, choose_reference, identify_signals
from fit.identification.response import Response
from fit.measurement.spans import Spans, measure_signals
from fit.records.metadata import NOT_KNOWN, RunMetadata
from fit.records.run import Array, Run
from fit.signals.preparation import prepare
from fit.signals.scatter import column_means

MOST_ROWS = 16_384  # 4.5 hours at a scan a second: measured in a second or two
SPANS_GROWTH = 1.03  # spans are measured again when the scans have grown by this factor
STEP_SHARE = 0.05  # of the largest power seen: scans apart by more are not averaged


class Follower:
    """Takes scans one by one; `estimate()` and `spans()` measure the record so far.

    Args:
        nodes: measured nodes in order of the heat path.
        reference: node above which rises are taken; chosen as for a finished run when None.
        max_order: highest number of time constants.
        metadata: of the run as far as it is known, for the accuracies that it states.
        sources: names of several sources; their record is for `check` alone.
    """

    def __init__(
        self,
        nodes: tuple[str, ...],
        reference: str | None = None,
        max_order: int = 4,
        metadata: RunMetadata = NOT_KNOWN,
        sources: tuple[str, ...] = (),
    ) -> None:
        self.nodes, self.sources = tuple(nodes), tuple(sources)
        self.metadata = metadata
        self.reference = choose_reference(self.nodes, reference)
        self.max_order = max_order
        self._powers = slice(1, 1 + max(1, len(self.sources)))
        # Time, powers, temperatures.
        self._rows = np.empty((64, self._powers.stop + len(self.nodes)))
        self._count = 0
        self._scans = 0
        self._power, self._steps = 0.0, 0
        self._latest: Identification | None = None
        self._spans: tuple[int, int, Spans | None] = (0, 0, None)  # scans, steps, as measured then

    def add(
        self, t_s: float, temperature_degC: Array | list[float], power_W: float | Array
    ) -> None:
        """Take one scan; one whose time does not advance is left out.

        Args:
            t_s: time from the start of the record [s].
            temperature_degC: one for each node, NaN where missing [degC].
            power_W: at the scan, of several sources of each (sources,) [W].

        Raises:
            ValueError: the number of temperatures is not that of the nodes.
        """
        if self._count and not t_s > self._rows[self._count - 1, 0]:
            return
        if len(temperature_degC) != len(self.nodes):
            raise ValueError(f"{len(temperature_degC)} temperatures for {len(self.nodes)} nodes")
        if self._count == MOST_ROWS:
            pairs = _averaged(self._rows[: self._count], self._powers)
            self._count = len(pairs)
            self._rows[: self._count] = pairs
        if self._count == len(self._rows):
            self._rows = np.concatenate((self._rows, np.empty_like(self._rows)))
        row = self._rows[self._count]
        row[0], row[self._powers], row[self._powers.stop :] = t_s, power_W, temperature_degC
        self._count += 1
        self._scans += 1
        power = float(row[self._powers].sum())
        if abs(power - self._power) > STEP_SHARE * max(abs(power), abs(self._power)):
            self._power, self._steps = power, self._steps + 1

    def record(self) -> Run:
        """The scans so far as a record."""
        rows = self._rows[: self._count]
        each = rows[:, self._powers].copy()
        return Run(
            path=Path("live"),
            label="live",
            nodes=self.nodes,
            t_s=rows[:, 0].copy(),
            temperature_degC=rows[:, self._powers.stop :].copy(),
            power=each.sum(axis=1),
            metadata=self.metadata,
            sources=self.sources,
            source_power=each if self.sources else None,
        )

    def estimate(self) -> Response | None:
        """Identify the scans so far; None while they do not carry an answer."""
        run = self.record()
        if not np.any(run.power):
            return None
        try:
            near = None if self._latest is None else self._latest.fitted
            self._latest = identify_signals(
                prepare(run), self.reference or None, self.max_order, run=run, near=near
            )
        except HeatrunError:
            return None
        return self._latest.response

    def spans(self) -> Spans | None:
        """Measure the spans of the scans so far; None while they do not carry an answer.

        The last result is returned until the scans have grown by a few per cent or the power has
        stepped.
        """
        scans, steps, found = self._spans
        if steps == self._steps and self._scans < SPANS_GROWTH * scans:
            return found
        self._spans = (self._scans, self._steps, self._measure())
        return self._spans[2]

    def _measure(self) -> Spans | None:
        run = self.record()
        try:
            return measure_signals(prepare(run), run) if np.any(run.power) else None
        except HeatrunError:
            return None


def _averaged(rows: Array, powers: slice = slice(1, 2)) -> Array:
    """Neighbouring rows (n, k) averaged in pairs; two of different power stay as they are.

    A pair's missing reading is taken from the other row.
    """
    power = rows[:, powers]
    level = max(float(np.abs(power).max()), 1e-300)
    change = np.abs(np.diff(power, axis=0, append=power[-1:])).max(axis=1)
    apart = change > STEP_SHARE * level
    joined = []
    i = 0
    while i < len(rows):
        if i + 1 < len(rows) and not apart[i]:
            joined.append(column_means(rows[i : i + 2]))
            i += 2
        else:
            joined.append(rows[i])
            i += 1
    return np.array(joined)
