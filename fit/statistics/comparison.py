"""Several runs: differences with shared errors removed, trend, unit-to-unit spread."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fit.budget.model import Budget
from fit.budget.run_budget import branches_budget, budget_for
from fit.errors import HeatrunError, NotIdentifiable
from fit.measurement.branches import measure_branches
from fit.measurement.resolution import are_resolved
from fit.measurement.spans import Spans, measure
from fit.network.topology import Link
from fit.notation import COVERAGE_FACTOR, between, span_name
from fit.records.run import Array, Run
from fit.statistics.shared_errors import (
    ALL_OF_IT,
    SHARED_BY_A_RIG,
    Merged,
    difference_covariance,
    joint_covariance,
)
from fit.statistics.stated_values import label_values
from fit.statistics.trend import Spread, Trend, estimate_spread, fit_trend

# A rise goes as about P^0.8, so that R to ambient differs by 1 % for 5 % of power.
_POWER_DIFFERS = 0.05
# Radiation goes as T^3: 5 % for 5 K at room temperature, of the half of the heat that it carries.
_AMBIENT_DIFFERS_K = 5.0


@dataclass(frozen=True)
class MeasuredRun:
    """One run's spans, with its label, rig and stated values."""

    path: Path
    label: str
    spans: Spans
    rig: str | None = None  # equal for runs of the same instruments and channels, None: unknown
    values: Mapping[str, float] | None = None  # label values, for example torque_Nm = 0.5
    power_unit: str = "W"
    budget: Budget | None = None  # kept in the run, whose stages name its spans
    started: str = ""  # UTC, ISO 8601; empty where nobody knows


@dataclass(frozen=True)
class Reading:
    """One span in one run, per watt on this path where all the runs' budgets say its share."""

    R_K_per_W: float
    u_K_per_W: float
    own_u_K_per_W: float  # without what runs of one rig share
    difference_K_per_W: float  # to the first run
    difference_u_K_per_W: float
    change: str  # higher | lower | none seen


@dataclass(frozen=True)
class SpanComparison:
    """One span over all runs."""

    from_node: str
    to_node: str
    readings: tuple[Reading, ...]
    trend: Trend | None
    spread: Spread | None
    stages: tuple[str, ...] = ()  # of the runs' budget, where one is known

    @property
    def name(self) -> str:
        """The stages of the span, or else its ends."""
        return span_name(self.stages, self.from_node, self.to_node)


@dataclass(frozen=True)
class Comparison:
    """All spans over all runs; the others are compared with the first."""

    runs: tuple[MeasuredRun, ...]
    against: str | None
    x: tuple[float, ...] | None  # value of `against` in each run
    spans: tuple[SpanComparison, ...]
    warnings: tuple[str, ...]
    per_path_watt: bool = False  # else per watt recorded


def measure_run(run: Run, budget: Budget | None = None) -> MeasuredRun:
    """Spans of one run, and what `compare` needs beside them.

    Args:
        run: as recorded.
        budget: whose tree the branches of several sources stand in; the one kept in the run when
            None. One source alone needs none.

    Returns:
        The run as measured.

    Raises:
        NotIdentifiable: several sources and no budget, or a record that does not carry an answer.
    """
    if len(run.sources) > 1:
        budget = branches_budget(run, budget)
        return as_measured(run, measure_branches(run, budget).spans, budget)
    return as_measured(run, measure(run), budget)


def as_measured(run: Run, spans: Spans, budget: Budget | None = None) -> MeasuredRun:
    """A run with its spans, without their responses: those are as large as the record.

    Args:
        run: as read.
        spans: measured from it.
        budget: whose stages name the spans; the one kept in the run, if any, when None.

    Returns:
        The run as measured.
    """
    if budget is None:
        with contextlib.suppress(HeatrunError):  # it only gives names here
            budget = budget_for(run.metadata, run.path)
    return MeasuredRun(
        path=run.path,
        label=run.label,
        spans=replace(spans, responses=()),
        rig=rig_identity(run),
        values=label_values(run),
        power_unit=run.power_unit,
        budget=budget,
        started=known_start(run),
    )


def known_start(run: Run) -> str:
    """When a run began (UTC, ISO 8601); empty where nobody knows.

    Args:
        run: as read.

    Returns:
        The time stamp.
    """
    origin = run.metadata.origin
    return "" if origin is not None and not origin.start_is_known else run.metadata.started


def rig_identity(run: Run) -> str | None:
    """What makes two runs share their instruments' errors: instruments and channels of the rig.

    The port is left out: an instrument stays itself in another socket.

    Args:
        run: as read.

    Returns:
        A text that is equal for runs of one rig; None where no rig is recorded.
    """
    rig = run.metadata.rig
    if not rig:
        return None
    instruments = [
        {key: value for key, value in instrument.items() if key != "port"}
        for instrument in run.metadata.rig_blocks("instrument")
    ]
    return repr([rig.get("title"), instruments, rig.get("channel"), rig.get("power")])


def compare(
    runs: Sequence[MeasuredRun],
    against: str | None = None,
    x: Sequence[float] | None = None,
    remounted: bool = False,
) -> Comparison:
    """Compare runs span by span.

    Errors of the instruments are the same in all runs of one rig and cancel in a difference, but
    for the part that grows with it: power u_P leaves u_P (R_2 - R_1), a channel's match u_j leaves
    u_j times the change of that node's rise (JCGM 100:2008, 5.2). What one run's noise and offset
    leave is independent of the other's.

    Args:
        runs: two or more; the others are compared with the first.
        against: name of the quantity on the x axis of the trend.
        x: its value in each run; without it the runs are taken as units of one kind.
        remounted: the thermocouples were taken off and put back between the runs, so that their
            match is a new one each time.

    Returns:
        Every span in every run, with differences, trend and spread.

    Raises:
        NotIdentifiable: fewer than two runs, unlike units of power, or no two nodes that all have.
    """
    if len(runs) < 2:
        raise NotIdentifiable("one run alone compares with nothing; name two or more")
    units = {run.power_unit for run in runs}
    if len(units) > 1:
        raise NotIdentifiable(
            f"the runs' powers are in {' and '.join(sorted(units))}; compare runs of one unit"
        )
    nodes = _common_nodes(runs)
    ends = _common_ends(runs, nodes)
    shares = [path_share(run) for run in runs]
    per_path_watt = all(share is not None for share in shares)
    merged = [
        Merged.of(run.spans, ends, run.rig, share if share and per_path_watt else ALL_OF_IT)
        for run, share in zip(runs, shares, strict=True)
    ]
    # How the match of thermocouples cancels is told for spans that follow one another.
    branched = any(run.spans.tree is not None for run in runs)
    shared = SHARED_BY_A_RIG[1:] if remounted or branched else SHARED_BY_A_RIG
    steps = [difference_covariance(merged[0], other, shared) for other in merged]
    joint = [joint_covariance(merged, shared, i) for i in range(len(ends))]
    spans = tuple(
        SpanComparison(
            from_node=start,
            to_node=end,
            readings=tuple(
                _reading(run, merged[0], step, i, own[j, j])
                for j, (run, step) in enumerate(zip(merged, steps, strict=True))
            ),
            trend=None if x is None else fit_trend(np.asarray(x, float), R, own, common),
            # Runs that were varied on purpose do not show how alike units are.
            spread=estimate_spread(R, own) if x is None else None,
            stages=_stages(runs, start, end),
        )
        for i, ((start, end), (R, own, common)) in enumerate(zip(ends, joint, strict=True))
    )
    warnings = _warnings(runs, nodes)
    values = None if x is None else tuple(x)
    return Comparison(tuple(runs), against, values, spans, warnings, per_path_watt)


def path_share(run: MeasuredRun) -> tuple[float, float] | None:
    """Share of the recorded power that takes the path, as `check` divides by it.

    Args:
        run: as measured.

    Returns:
        The share and its standard uncertainty; None where no budget says it.
    """
    if run.spans.tree is not None:
        return ALL_OF_IT  # branches are measured by what flows through each
    if run.budget is None or not run.budget.is_chain or run.power_unit != "W":
        return None
    return run.budget.conditions.path_fraction, run.budget.conditions.path_fraction_u


def _stages(runs: Sequence[MeasuredRun], start: str, end: str) -> tuple[str, ...]:
    """Names of the stages between two nodes, by the first budget that has both on one way."""
    for budget in (run.budget for run in runs if run.budget is not None):
        with contextlib.suppress(ValueError, KeyError):
            links = {budget.joined.links[i] for i in budget.joined.links_between(start, end)}
            between = zip(budget.stages, budget.tree.links, strict=True)
            return tuple(stage.name for stage, link in between if link in links)
    return ()


def _common_nodes(runs: Sequence[MeasuredRun]) -> tuple[str, ...]:
    first = runs[0].spans.nodes
    nodes = tuple(node for node in first if all(node in run.spans.nodes for run in runs))
    for run in runs:
        order = [node for node in run.spans.nodes if node in nodes]
        if order != list(nodes):
            raise NotIdentifiable(
                f"{run.path}: nodes in the order {', '.join(order)}, but {', '.join(nodes)} in "
                f"{runs[0].path}; name the columns in the same order"
            )
    if len(nodes) < 2:
        raise NotIdentifiable(
            f"no two nodes are in all runs ({', '.join(nodes) or 'none'}); name them alike"
        )
    return nodes


def _common_ends(runs: Sequence[MeasuredRun], nodes: tuple[str, ...]) -> tuple[Link, ...]:
    """Every node that all runs have, with the next such node on its way.

    Raises:
        NotIdentifiable: the runs' paths differ.
    """
    found: list[tuple[Link, ...]] = []
    for run in runs:
        ways = [run.spans.topology.path(node) for node in nodes[:-1]]
        onward = [next((n for n in way[1:] if n in nodes), None) for way in ways]
        found.append(tuple((n, to) for n, to in zip(nodes, onward, strict=False) if to is not None))
        if found[-1] != found[0]:
            raise NotIdentifiable(
                f"{run.path}: its branches meet otherwise than those of {runs[0].path}; compare"
                " runs of one design"
            )
    return found[0]


def _reading(run: Merged, first: Merged, step: Array, i: int, own: float) -> Reading:
    u = math.sqrt(sum(c[i, i] for c in run.covariance.values()))
    difference = float(run.R[i] - first.R[i])
    difference_u = math.sqrt(step[i, i])
    seen = abs(difference) > COVERAGE_FACTOR * difference_u
    change = ("higher" if difference > 0 else "lower") if seen else "none seen"
    return Reading(float(run.R[i]), u, math.sqrt(own), difference, difference_u, change)


def _warnings(runs: Sequence[MeasuredRun], nodes: tuple[str, ...]) -> tuple[str, ...]:
    warnings = []
    powers = [run.spans.power_W for run in runs]
    if max(powers) > (1 + _POWER_DIFFERS) * min(powers):
        warnings.append(
            f"the runs were made at {between(min(powers), max(powers))} W: a case sheds heat "
            "better the hotter it is, so the span to ambient differs for that alone"
        )
    ambient = [run.spans.final_degC[-1] for run in runs if run.spans.nodes[-1] == "ambient"]
    if len(ambient) == len(runs) and np.ptp(ambient) > _AMBIENT_DIFFERS_K:
        warnings.append(
            f"ambient was {min(ambient):z.1f} to {max(ambient):z.1f} °C: radiation makes the span "
            "to ambient differ for that alone"
        )
    if any(not run.spans.settled for run in runs):
        names = ", ".join(run.path.name for run in runs if not run.spans.settled)
        warnings.append(f"not settled: {names}; their span to ambient is an extrapolation")
    if len({run.rig for run in runs}) > 1 or runs[0].rig is None:
        warnings.append(
            "the runs do not all state the same rig: sensor match and power are taken as "
            "independent between rigs, so differences are less certain"
        )
    left_out = {node for run in runs for node in run.spans.nodes} - set(nodes)
    if left_out:
        warnings.append(f"not in all runs, left out: {', '.join(sorted(left_out))}")
    return tuple(warnings)


def resolved_readings(spans: Sequence[SpanComparison]) -> NDArray[np.bool_]:
    """Whether each span is resolved in each run.

    Args:
        spans: of a comparison.

    Returns:
        True or false (spans, runs).
    """
    R = np.array([[reading.R_K_per_W for reading in span.readings] for span in spans])
    u = np.array([[reading.u_K_per_W for reading in span.readings] for span in spans])
    return np.array([are_resolved(*one) for one in zip(R.T, u.T, strict=True)]).T
