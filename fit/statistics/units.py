"""Many units of one design: yield, how each span is distributed, what drifts, the worst."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fit.errors import NotIdentifiable
from fit.network.topology import Array
from fit.statistics.conforming_share import Yield, count_yield
from fit.statistics.drift import DATE, FEWEST, Drift, days, find_drift
from fit.statistics.population import PRIOR_SCALE, Population, population
from fit.statistics.unit_row import SpanRow, UnitRow

READINGS_WRONG = ("sensor-placement", "power-error", "power-sharing")
"""Causes that lie in the measurement: such a run tells nothing of its unit."""
APART = 4.0
"""Robust standard deviations: 1000 sound units have one so far off in 6 of 100 cases."""
FEWEST_APART = 5  # units: a median of fewer is moved by the one that lies apart
NORMAL_MAD = 1.4826  # standard deviation over median absolute deviation, of a normal distribution


@dataclass(frozen=True)
class UnitSpan:
    """One span of one unit."""

    unit: UnitRow
    span: SpanRow


@dataclass(frozen=True)
class SpanOfUnits:
    """One span in all units."""

    ends: tuple[str, str]
    stages: tuple[str, ...]
    predicted_K_per_W: float | None  # median of the runs' own conditions
    limit_K_per_W: float | None  # median
    measured: tuple[UnitSpan, ...]  # that the distribution is made from
    left_out: int  # units whose reading is not resolved, or not believed
    conforming: Yield
    population: Population | None
    drift: tuple[Drift, ...] = ()
    apart: tuple[UnitSpan, ...] = ()

    @property
    def name(self) -> str:
        """The stages of the span."""
        return " + ".join(self.stages)


@dataclass(frozen=True)
class Units:
    """Many units held against one budget."""

    units: tuple[UnitRow, ...]  # the last run of each
    superseded: int  # earlier runs of units that were run again
    not_read: tuple[UnitRow, ...]
    conforming: Yield
    spans: tuple[SpanOfUnits, ...]
    worst: tuple[UnitSpan, ...]  # each unit's worst span, the worst unit first
    relative_scale: float  # of the half-normal prior of the spread, over the mean
    warnings: tuple[str, ...]


def summarize(
    rows: Sequence[UnitRow],
    *,
    by: Sequence[str] = (),
    relative_scale: float = PRIOR_SCALE,
    worst: int = 10,
) -> Units:
    """Put the runs of many units together.

    Args:
        rows: of all runs, in any order.
        by: labels to look for drift by, beside the date.
        relative_scale: of the half-normal prior of the spread, over the mean.
        worst: how many of the worst units are named.

    Returns:
        What the units are like.

    Raises:
        NotIdentifiable: no run could be read, or no unit has a label asked for.
    """
    read = [row for row in rows if row.error is None]
    if not read:
        raise NotIdentifiable(f"none of the {len(rows)} runs could be read")
    units = _last_of_each(read)
    ends = list(dict.fromkeys(span.ends for row in units for span in row.spans if _seen(span)))
    labels = _labels(units, by)
    spans = tuple(_over_units(units, one, labels, relative_scale, len(ends)) for one in ends)
    return Units(
        units=tuple(units),
        superseded=len(read) - len(units),
        not_read=tuple(row for row in rows if row.error is not None),
        conforming=count_yield([row.decision for row in units]),
        spans=spans,
        worst=_worst(units, worst),
        relative_scale=relative_scale,
        warnings=(*_warnings(units, spans), *_too_few(by, labels, spans)),
    )


def _last_of_each(rows: Sequence[UnitRow]) -> list[UnitRow]:
    """One run a unit: that which started last. Runs that name no unit are units of their own."""
    last: dict[tuple[bool, str], UnitRow] = {}
    for row in sorted(rows, key=lambda row: row.started):
        last[bool(row.unit), row.name] = row
    kept = {id(row) for row in last.values()}
    return [row for row in rows if id(row) in kept]


def _seen(span: SpanRow) -> bool:
    return span.measured_K_per_W is not None


def _labels(units: Sequence[UnitRow], by: Sequence[str]) -> dict[str, list[float | str]]:
    labels: dict[str, list[float | str]] = {DATE: days([row.started for row in units])}
    for name in by:
        labels[name] = [row.values.get(name, "") for row in units]
        if not any(label != "" for label in labels[name]):
            raise NotIdentifiable(f"--by {name}: no unit states it; log with --set {name}=…")
    return labels


def _over_units(
    units: Sequence[UnitRow],
    ends: tuple[str, str],
    labels: dict[str, list[float | str]],
    relative_scale: float,
    spans: int,
) -> SpanOfUnits:
    pairs = [
        (number, UnitSpan(row, span))
        for number, row in enumerate(units)
        for span in row.spans
        if span.ends == ends
    ]
    used = [(number, one) for number, one in pairs if _tells_of_its_unit(one)]
    y, own, whole = (_column([one for _, one in used], value) for value in _VALUES)
    limit = _median(one.span.limit_K_per_W for _, one in pairs)
    shared = _shared_u([one.unit.rig for _, one in used], np.sqrt(np.maximum(whole**2 - own**2, 0)))
    found = [
        find_drift(name, [values[number] for number, _ in used], y, spans)
        for name, values in labels.items()
    ]
    return SpanOfUnits(
        ends=ends,
        stages=pairs[0][1].span.stages,
        predicted_K_per_W=_median(one.span.predicted_K_per_W for _, one in pairs),
        limit_K_per_W=limit,
        measured=tuple(one for _, one in used),
        left_out=len(pairs) - len(used),
        conforming=count_yield([one.span.decision for _, one in pairs]),
        population=population(y, own, relative_scale=relative_scale, common_u=shared, limit=limit)
        if used
        else None,
        drift=tuple(one for one in found if one is not None),
        apart=tuple(used[i][1] for i in _apart(y, own)),
    )


def _tells_of_its_unit(one: UnitSpan) -> bool:
    return bool(one.span.resolved) and one.unit.cause not in READINGS_WRONG


_VALUES: tuple[Callable[[SpanRow], float | None], ...] = (
    lambda span: span.measured_K_per_W,
    lambda span: span.own_u_K_per_W,
    lambda span: span.measured_u_K_per_W,
)


def _column(used: Sequence[UnitSpan], value: Callable[[SpanRow], float | None]) -> Array:
    return np.array([value(one.span) or 0.0 for one in used])


def _median(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return float(np.median(known)) if known else None


def _shared_u(rigs: Sequence[str], u: Array) -> float:
    """Standard uncertainty that the units of each rig share, of the mean of all."""
    if not rigs:
        return 0.0
    total = 0.0
    for rig in set(rigs):
        members = [i for i, other in enumerate(rigs) if other == rig]
        # Units whose rig nobody knows are taken as of one: the less sure of the two.
        total += (len(members) / len(rigs)) ** 2 * float(np.mean(u[members] ** 2))
    return math.sqrt(total)


def _apart(y: Array, own: Array) -> list[int]:
    """Units that lie far from the rest, by the median and what is usual about it."""
    if len(y) < FEWEST_APART:
        return []
    off = np.abs(y - np.median(y))
    usual = np.hypot(NORMAL_MAD * np.median(off), own)
    return np.flatnonzero(off > APART * usual).tolist()


def _worst(units: Sequence[UnitRow], most: int) -> tuple[UnitSpan, ...]:
    """Each unit's span that is least likely within its limit, and of those the furthest over it."""
    spans = [
        UnitSpan(row, min(measured, key=_standing))
        for row in units
        if (measured := [span for span in row.spans if _seen(span) and span.limit_K_per_W])
    ]
    return tuple(sorted(spans, key=lambda one: _standing(one.span))[:most])


def _standing(span: SpanRow) -> tuple[float, float]:
    over = (span.measured_K_per_W or 0.0) / (span.limit_K_per_W or 1.0)
    return round(span.p_conforming or 0.0, 3), -over


def _warnings(units: Sequence[UnitRow], spans: Sequence[SpanOfUnits]) -> list[str]:
    said = []
    wrong = [row.name for row in units if row.cause in READINGS_WRONG]
    if wrong:
        said.append(
            f"{_some(wrong)}: a reading is wrong; counted, and left out of the distributions"
        )
    for span in spans:
        if span.apart:
            names = _some([one.unit.name for one in span.apart])
            said.append(
                f"{span.name}: {names} far from the rest, and widening its intervals: "
                "see to those units first"
            )
    budgets = {row.budget_digest for row in units}
    if len(budgets) > 1:
        said.append(f"the units were held against {len(budgets)} budgets; limits are their median")
    return said


def _too_few(
    by: Sequence[str], labels: Mapping[str, Sequence[float | str]], spans: Sequence[SpanOfUnits]
) -> list[str]:
    """Labels asked for by which no drift could be looked for."""
    tested = {drift.against for span in spans for drift in span.drift}
    said = []
    for name in by:
        if name not in tested:
            count = sum(label != "" for label in labels[name])
            said.append(
                f"{name}: set in {count} of {len(labels[name])} units; drift is looked for where "
                f"{FEWEST} or more have it, not all the same"
            )
    return said


def _some(names: Sequence[str], most: int = 3) -> str:
    """'a, b, c and 4 more'."""
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")
