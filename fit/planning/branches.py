"""What to expect of a run of several sources: the program's own measurement of a run simulated.

The run that the budget's network would leave on the bench, with noise and rounding, is measured up
to several times as `check` would measure it. So the plan states the uncertainties that the run
will: Fisher information with the zero-power offsets projected out, heat still to come, powers,
match.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from fit.budget.limits import stage_limits
from fit.budget.model import Array, Budget, Prediction
from fit.errors import HeatrunError
from fit.identification.ladder.settings import SETTINGS
from fit.measurement.branches import measure_branches
from fit.measurement.spans import Spans
from fit.network.foster import response_to_power
from fit.network.modes import modes
from fit.network.topology import Link
from fit.planning.bench import Bench
from fit.planning.expected import SEED, SYSTEMATIC, Expected
from fit.planning.network import stated_capacity
from fit.records.metadata import NOT_KNOWN
from fit.records.run import Run

LAG_S = SETTINGS.lag_s  # of a sensor whose lag nobody states
LOOKS = 6  # times at which a phase is looked at, closer to its beginning. Ours: a factor 2 apart
FIRST_S = 30.0  # after a step: before that no board has followed. Ours
UNKNOWN = 3.0  # times a span's resistance: its uncertainty where the record carries no answer yet


def looks_s(bench: Bench) -> Array:
    """Times heated (t,) [s] at which the run is measured: through each phase, and its end."""
    found: list[float] = []
    start_s = 0.0
    for _, for_s in bench.phases:
        first = min(FIRST_S, for_s)
        found += (start_s + np.geomspace(first, for_s, LOOKS)).tolist()
        start_s += for_s
    return np.unique(np.round(found, 6))


def simulated_run(prediction: Prediction, bench: Bench) -> Run:
    """The run that a budget's product would leave.

    Args:
        prediction: of the budget, at the run's powers.
        bench: with its phases.

    Returns:
        The run: soak, then the phases.

    Raises:
        BudgetError: the budget states no heat capacity at all.
    """
    budget = prediction.budget
    C = stated_capacity(prediction)
    R = np.append(prediction.R_K_per_W, [leak.R_K_per_W for leak in budget.leaks])
    found = modes(budget.topology, R, C)
    soak = int(np.ceil(bench.soak_s / bench.interval_s))
    scans = soak + int(np.ceil(bench.heat_s / bench.interval_s)) + 1
    t_s = np.asarray(bench.interval_s * np.arange(scans), dtype=np.float64)
    power = _powers(prediction, bench, t_s - soak * bench.interval_s)
    path = power * budget.path_fraction
    rise = response_to_power(found.amplitude_K_per_W, found.tau_s, t_s, path)
    rise = rise + found.at_once_K_per_W @ path.T
    random = np.random.default_rng(SEED)
    readings = []
    for node in bench.nodes:
        true = np.zeros(len(t_s)) if node == budget.ambient else rise[budget.tree.index(node)]
        lag_s, _ = bench.lag_s.get(node, (LAG_S, 0.0))
        if lag_s > 0:
            true = response_to_power([1.0], [lag_s], t_s, true, "line")
        read = prediction.ambient_degC + true + bench.noise_K * random.standard_normal(len(t_s))
        step = bench.step_K
        readings.append(np.round(read / step) * step if step else read)
    return Run(
        path=Path(budget.path),
        label="planned",
        nodes=bench.nodes,
        t_s=t_s,
        temperature_degC=np.column_stack(readings),
        power=power.sum(axis=1),
        metadata=replace(NOT_KNOWN, match_u=bench.match_u, power_u=bench.power_u, lags=bench.lag_s),
        sources=tuple(source.name for source in budget.sources),
        source_power=power,
    )


def _powers(prediction: Prediction, bench: Bench, heated_s: Array) -> Array:
    """Power of each source (n, sources) [W] at times heated (n,) [s]."""
    names = [source.name for source in prediction.budget.sources]
    power = np.zeros((len(heated_s), len(names)))
    start_s = 0.0
    for on, for_s in bench.phases:
        during = (heated_s >= start_s) & (heated_s < start_s + for_s)
        watts = [
            W if name in on else 0.0
            for name, W in zip(names, prediction.source_power_W, strict=True)
        ]
        power[during] = watts
        start_s += for_s
    return power


def expected_branches(
    prediction: Prediction, bench: Bench, nodes: Sequence[str], t_s: Array
) -> Expected:
    """What to expect of a run of several sources that measures some nodes.

    Args:
        prediction: of the budget at the run's powers.
        bench: with its phases.
        nodes: measured.
        t_s: times heated (t,) [s], the end of the run last.

    Returns:
        The spans with their uncertainties.

    Raises:
        NotIdentifiable: not even the whole run carries an answer.
    """
    budget = prediction.budget
    run = _measuring(simulated_run(prediction, bench), nodes)
    last = measure_branches(run, budget).spans
    ends = last.topology.links
    group = np.zeros((len(ends), len(budget.joined.links)))
    for row, (start, end) in enumerate(ends):
        group[row, list(budget.joined.links_between(start, end))] = 1.0
    slope = group @ budget.joined_slope(prediction.R_K_per_W)
    R = group @ budget.joined_resistance(prediction.R_K_per_W)
    soak_s = float(run.t_s[-1]) - bench.heat_s
    before = [_parts(_until(run, soak_s + float(t), budget), ends, R) for t in t_s[:-1]]
    each = [*before, _parts(last, ends, R)]
    return Expected(
        ends=ends,
        stages=tuple(budget.tree.links_between(start, end) for start, end in ends),
        R_K_per_W=R,
        predicted_u_K_per_W=np.sqrt(np.diag(slope @ prediction.R_covariance @ slope.T)),
        limit_K_per_W=group @ budget.joined_resistance(stage_limits(prediction)),
        t_s=t_s,
        parts={name: np.array([one[name] for one in each]) for name in each[-1]},
        lasting={name: each[-1][name] for name in SYSTEMATIC},
    )


def _measuring(run: Run, nodes: Sequence[str]) -> Run:
    """A run of which only some nodes were measured."""
    kept = [i for i, node in enumerate(run.nodes) if node in nodes]
    measured = tuple(run.nodes[i] for i in kept)
    return replace(run, nodes=measured, temperature_degC=run.temperature_degC[:, kept])


def _until(run: Run, end_s: float, budget: Budget) -> Spans | None:
    """The spans of the record up to a time; None while it carries no answer."""
    n = int(np.searchsorted(run.t_s, end_s, side="right"))
    assert run.source_power is not None
    so_far = replace(
        run,
        t_s=run.t_s[:n],
        temperature_degC=run.temperature_degC[:n],
        power=run.power[:n],
        source_power=run.source_power[:n],
    )
    try:
        return measure_branches(so_far, budget).spans
    except HeatrunError:
        return None


def _parts(spans: Spans | None, ends: Sequence[Link], R_K_per_W: Array) -> dict[str, Array]:
    """Standard uncertainty of every span by source (s,) [K/W]."""
    if spans is None or spans.topology.links != ends:
        unknown = UNKNOWN * R_K_per_W
        return {"fit": unknown, **dict.fromkeys(("discrepancy", *SYSTEMATIC), 0 * unknown)}
    u = {name: np.sqrt(np.maximum(np.diag(one), 0)) for name, one in spans.covariance.items()}
    # Far from being resolved is no number to draw.
    fit = np.minimum(np.hypot(u["fit"], u["offset"]), UNKNOWN * R_K_per_W)
    found = {"fit": fit, **{name: u[name] for name in ("discrepancy", "sensor_match", "power")}}
    return {**found, "path_share": np.zeros(len(R_K_per_W))}  # among the powers'
