"""What a heat run will be able to decide, when, and what each thermocouple is worth for it.

With R_p ± u_p predicted, L the limit and u expected of the measurement, a measured value is
distributed about R_p with u_p and u together, and it is decided with 95 % on one side
(JCGM 106:2012, acceptance intervals; clause from memory: 8), z = 1.645:

    P(conforming)     = Φ((L − z u − R_p) / √(u² + u_p²))
    P(non-conforming) = Φ((R_p − L − z u) / √(u² + u_p²))

A part that is as predicted is decided once u ≤ |L − R_p| / z. Which excess is found:
`fit.planning.excess`.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from fit.budget import predict
from fit.budget.model import Array, Budget, Prediction
from fit.budget.prediction import SOLDER_MELTS_degC
from fit.errors import HeatrunError
from fit.measurement.resolution import RESOLVED
from fit.notation import COVERAGE_FACTOR, digits, span_name
from fit.planning.bench import Bench, typical_bench
from fit.planning.branches import expected_branches, looks_s
from fit.planning.excess import SURE, excess_found, smallest_excess
from fit.planning.expected import (
    Expected,
    expected,
    horizon_s,
)
from fit.planning.junction import junction_first, plan_junction

TIMES = 40  # at which a run is looked at, even in the logarithm: some 15 % apart. Ours
FIRST_SCANS = 12  # of heating: with fewer nothing is measured (`fit.measurement.discrepancy`)
WORDS = {
    "fit": "noise",
    "discrepancy": "heat still being stored",
    "sensor_match": "the match of the sensors",
    "power": "the power reading",
    "path_share": "the share of the power on this path",
    "readings": "noise, with what it hides of silicon's curve",
    "calibration": "the rest of that curve and the lag of the bead",
    "method": "the way back to the moment of interruption",
}


@dataclass(frozen=True, eq=False)
class SpanPlan:
    """What to expect of one span."""

    from_node: str
    to_node: str
    stages: tuple[str, ...]
    R_K_per_W: float  # predicted
    predicted_u_K_per_W: float
    limit_K_per_W: float
    u_K_per_W: float  # of the measurement, at the end of heating
    needed_u_K_per_W: float  # for a part as predicted to be decided
    decided_after_s: float | None  # None: never
    p_conforming: float
    p_non_conforming: float
    detectable_excess_K_per_W: float
    parts: Mapping[str, float]  # of u at the end of heating, by source
    curve_K_per_W: Array  # (t,) u against `Plan.t_s`
    why: str = ""  # it is not decided by the end of heating
    by_voltage: bool = False  # its first node is a junction read by its forward voltage

    @property
    def name(self) -> str:
        """Its stages."""
        return span_name(self.stages, self.from_node, self.to_node)

    @property
    def resolved(self) -> bool:
        """Whether the run measures it at all by the end of heating."""
        return self.u_K_per_W <= RESOLVED * self.R_K_per_W


@dataclass(frozen=True)
class ThermocouplePlan:
    """What is left without one thermocouple."""

    node: str
    u_without: Mapping[str, float]  # "from - to" -> u [K/W]
    worth: float
    """By what factor the smallest excess found grows without it, of the stage that loses most;
    infinite where a stage is then not measured at all."""
    stage: str  # which that is


@dataclass(frozen=True, eq=False)
class Plan:
    """A heat run before it is done."""

    prediction: Prediction
    bench: Bench
    spans: tuple[SpanPlan, ...]
    thermocouples: tuple[ThermocouplePlan, ...]
    t_s: Array  # (t,) of the curves
    warnings: tuple[str, ...]


def plan(budget: Budget, bench: Bench | None = None, heat_s: float | None = None) -> Plan:
    """What a heat run of a budget's product will be able to decide.

    Args:
        budget: a chain, or a tree.
        bench: what measures it; `typical_bench` when None.
        heat_s: length of heating; the bench's own when None [s].

    Raises:
        BudgetError: no heat capacities.
        NotIdentifiable: the nodes measured do not carry an answer.
    """
    bench = typical_bench(budget) if bench is None else bench
    if heat_s is not None:
        bench = bench.heating_for(heat_s)
    prediction = predict(budget, power_W=bench.power_W)
    if not budget.is_chain:
        return _plan_branches(prediction, bench)
    first = min(FIRST_SCANS * bench.interval_s, bench.heat_s)
    times = np.geomspace(first, max(horizon_s(prediction, bench), 2 * first), TIMES)
    times = np.union1d(times, [bench.heat_s])
    whole, unknown = expected(prediction, bench, bench.nodes, times)
    at = int(np.searchsorted(times, bench.heat_s))
    spans = tuple(
        _span(prediction, bench, whole, i, at, u_of=_u_of_larger(prediction, bench, whole, i))
        for i in range(len(whole.ends))
    )
    left_with = _without_each(prediction, bench, times[[at]])
    junction = plan_junction(prediction, bench, times)
    if junction.expected is not None:
        read = _span(prediction, bench, junction.expected, 0, at, u_of=junction.u_of)
        spans = (replace(read, by_voltage=True), *spans)
        whole = junction_first(junction.expected, whole)
        left_with = {
            node: junction_first(junction.expected, one, at) for node, one in left_with.items()
        }
    warnings = [*bench.remarks, *junction.remarks]
    if unknown:
        warnings.append(
            f"no C_J_per_K for {', '.join(unknown)}: a hundredth of the largest taken; times "
            "shorter than a minute are as sure as that"
        )
    warnings += [f"{span.name} {span.why}" for span in spans if span.why]
    return Plan(
        prediction=prediction,
        bench=bench,
        spans=spans,
        thermocouples=_thermocouples(prediction, whole, at, left_with),
        t_s=times,
        warnings=(*warnings, *prediction.warnings),
    )


def _plan_branches(prediction: Prediction, bench: Bench) -> Plan:
    """The same of a tree: the phases as they are, looked at until they end."""
    times, at = looks_s(bench), -1
    whole = expected_branches(prediction, bench, bench.nodes, times)
    spans = tuple(
        replace(one, why=_not_by_the_end(one))
        for one in (_span(prediction, bench, whole, i, at) for i in range(len(whole.ends)))
    )
    left = {}
    for node in bench.nodes if len(bench.nodes) > 2 else ():
        rest = tuple(one for one in bench.nodes if one != node)
        with contextlib.suppress(HeatrunError):  # without that one nothing is measured
            left[node] = expected_branches(prediction, bench, rest, times[-1:])
    warnings = [f"{span.name} {span.why}" for span in spans if span.why]
    if bench.voltage is not None:
        warnings.append(
            f"'{bench.voltage.node}' by its forward voltage is planned for one source only; check"
            " measures it of several, too"
        )
    return Plan(
        prediction=prediction,
        bench=bench,
        spans=spans,
        thermocouples=_thermocouples(prediction, whole, at, left),
        t_s=times,
        warnings=(*bench.remarks, *warnings, *prediction.warnings),
    )


def _not_by_the_end(span: SpanPlan) -> str:
    """Why a span of a tree is not decided by the end of the phases, "" where it is."""
    if span.decided_after_s is not None:
        return ""
    worst = max(span.parts, key=lambda name: span.parts[name])
    return f"is not decided by the end of the phases, because of {WORDS[worst]}: {_interval(span)}"


def _interval(span: SpanPlan) -> str:
    """The interval (k = 2) to expect of a span, and the one that a decision needs [K/W]."""
    expected, needed = (
        digits(COVERAGE_FACTOR * u, 2) for u in (span.u_K_per_W, span.needed_u_K_per_W)
    )
    return f"± {expected} K/W (k = 2), and a decision needs ± {needed}"


def chances(predicted: float, predicted_u: float, limit: float, u: float) -> tuple[float, float]:
    """Probabilities that a span will be found conforming, and non-conforming.

    Args:
        predicted: resistance [K/W].
        predicted_u: its standard uncertainty [K/W].
        limit: upper limit [K/W].
        u: standard uncertainty of the measurement [K/W].

    >>> [round(p, 3) for p in chances(0.6, 0.03, 0.75, 0.04)]
    [0.954, 0.0]
    """
    spread = max(float(np.hypot(u, predicted_u)), 1e-12)
    conforming = ndtr((limit - SURE * u - predicted) / spread)
    return float(conforming), float(ndtr((predicted - limit - SURE * u) / spread))


def _u_of_larger(
    prediction: Prediction, bench: Bench, whole: Expected, i: int
) -> Callable[[float], float]:
    """Excess of a chain's span [K/W] -> standard uncertainty of its measurement [K/W]."""
    end = np.array([bench.heat_s])
    R = float(whole.R_K_per_W[i])

    def u_of(excess_K_per_W: float) -> float:
        factor = 1 + excess_K_per_W / R
        larger, _ = expected(prediction, bench, bench.nodes, end, larger=(i, factor))
        return float(larger.u_K_per_W[0, i])

    return u_of


def _span(
    prediction: Prediction,
    bench: Bench,
    whole: Expected,
    i: int,
    at: int,
    *,
    u_of: Callable[[float], float] | None = None,
) -> SpanPlan:
    """u_of: excess -> u of such a span; in proportion to it where that is not known."""
    R, u_p = float(whole.R_K_per_W[i]), float(whole.predicted_u_K_per_W[i])
    limit, curve = float(whole.limit_K_per_W[i]), whole.u_K_per_W[:, i]
    u, needed = float(curve[at]), abs(limit - R) / SURE
    conforming, non_conforming = chances(R, u_p, limit, u)
    found = SpanPlan(
        *whole.ends[i],
        stages=tuple(prediction.budget.stages[j].name for j in whole.stages[i]),
        R_K_per_W=R,
        predicted_u_K_per_W=u_p,
        limit_K_per_W=limit,
        u_K_per_W=u,
        needed_u_K_per_W=needed,
        decided_after_s=_from_when(whole.t_s, curve, needed),
        p_conforming=conforming,
        p_non_conforming=non_conforming,
        detectable_excess_K_per_W=(
            float(smallest_excess(R, u, u_p)) if u_of is None else excess_found(R, u_p, u_of)
        ),
        parts={name: float(part[at, i]) for name, part in whole.parts.items()},
        curve_K_per_W=curve,
    )
    return replace(found, why=_why_not(found, prediction, bench, whole, i))


def _from_when(t_s: Array, u: Array, needed: float) -> float | None:
    """The time from which on u (t,) stays at or below what is needed, None where it never does."""
    above = np.flatnonzero(u > needed)
    if not len(above):
        return float(t_s[0])
    last = int(above[-1])
    if last == len(t_s) - 1:
        return None
    pair = slice(last, last + 2)
    return float(
        np.exp(np.interp(-np.log(max(needed, 1e-300)), -np.log(u[pair]), np.log(t_s[pair])))
    )


def _why_not(span: SpanPlan, prediction: Prediction, bench: Bench, whole: Expected, i: int) -> str:
    """Why a span is not decided by the end of heating, and what would be needed."""
    if span.decided_after_s is not None and span.decided_after_s <= bench.heat_s:
        return ""
    needed = span.needed_u_K_per_W
    last = {name: float(part[i]) for name, part in whole.lasting.items()}
    lasting = float(whole.lasting_u_K_per_W[i])
    margin = f"{abs(span.limit_K_per_W - span.R_K_per_W):.2g} K/W to its limit"
    if lasting >= needed:
        worst = max(last, key=lambda name: last[name])
        return (
            f"cannot be decided at any length or power, because {WORDS[worst]} alone leaves "
            f"{last[worst]:.2g} K/W and a decision with {margin} needs {needed:.2g}"
        )
    return _length(span, bench, float(whole.t_s[-1])) + _power(span, prediction, lasting)


def _length(span: SpanPlan, bench: Bench, longest_s: float) -> str:
    if span.decided_after_s is not None:
        return f"is decided after {span.decided_after_s:.0f} s, later than {bench.heat_s:.0f} s"
    worst = max(span.parts, key=lambda name: span.parts[name])
    return (
        f"cannot be decided at any length (looked at up to {longest_s:.0f} s), because of "
        f"{WORDS[worst]}: {_interval(span)}"
    )


def _power(span: SpanPlan, prediction: Prediction, lasting: float) -> str:
    """The power with which it would be decided by the end of heating.

    Noise falls as 1 / P, and with it what it hides of the sensors' match.
    lasting: standard uncertainty that no power removes [K/W].
    """
    needed = span.needed_u_K_per_W
    fixed = float(np.hypot(lasting, span.parts["discrepancy"]))
    if fixed >= needed:
        return "; more power does not help by then"
    falls = max(span.u_K_per_W**2 - fixed**2, 0.0)
    power = prediction.power_W * float(np.sqrt(falls / (needed**2 - fixed**2)))
    hottest = prediction.ambient_degC + max(prediction.rise_K.values()) * power / prediction.power_W
    if hottest > SOLDER_MELTS_degC:
        return "; more power would melt solder before it helps"
    return f"; by then it would need {digits(power, 2)} W: mind what the parts may bear"


def _without_each(prediction: Prediction, bench: Bench, now: Array) -> Mapping[str, Expected]:
    """What to expect of a chain at a time when one of its nodes is not measured, by node."""
    if len(bench.nodes) < 3:
        return {}
    rest = {node: tuple(one for one in bench.nodes if one != node) for node in bench.nodes}
    return {node: expected(prediction, bench, left, now)[0] for node, left in rest.items()}


def _thermocouples(
    prediction: Prediction, whole: Expected, at: int, left_with: Mapping[str, Expected]
) -> tuple[ThermocouplePlan, ...]:
    """What each thermocouple is worth; left_with: what is to be expected without it, by node."""
    names = [stage.name for stage in prediction.budget.stages]
    with_all = _excess_by_stage(whole, at)
    found = []
    for node in left_with:
        without = left_with[node]
        left = _excess_by_stage(without, 0)
        factors = {
            j: left.get(j, np.inf) / excess if np.isfinite(excess) else 1.0
            for j, excess in with_all.items()
        }
        most = max(factors, key=lambda j: factors[j])
        found.append(
            ThermocouplePlan(
                node=node,
                u_without={
                    f"{a} - {b}": float(u)
                    for (a, b), u in zip(without.ends, without.u_K_per_W[0], strict=True)
                },
                worth=float(factors[most]),
                stage=names[most],
            )
        )
    return tuple(found)


def _excess_by_stage(whole: Expected, at: int) -> dict[int, float]:
    """Smallest excess found in each measured stage [K/W]."""
    excess = smallest_excess(whole.R_K_per_W, whole.u_K_per_W[at], whole.predicted_u_K_per_W)
    return {j: float(excess[i]) for i, members in enumerate(whole.stages) for j in members}
