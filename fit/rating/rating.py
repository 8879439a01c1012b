"""What a measured product may do: allowable power, junction and touch temperature, margins."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fit.assessment.alignment import Alignment, accuracy_not_stated, lay_on_budget
from fit.assessment.decision import decide, probability_of_conformity
from fit.budget.model import Budget
from fit.errors import NotIdentifiable
from fit.measurement.spans import Spans
from fit.notation import between, digits, fixed
from fit.rating.operating_point import HeatPath, OperatingPoint, Resistances, heat_path
from fit.rating.power_profile import Profile
from fit.rating.pulsed_loads import (
    DutyPoint,
    ProfileResult,
    TransientPath,
    duty_table,
    run_profile,
    transient_path,
)
from fit.rating.touch_limits import TouchTable
from fit.records.run import Array
from fit.tabular import Tabular

if TYPE_CHECKING:
    from pandas import DataFrame

JUNCTION, TOUCH = "junction", "touch"
# IEC 62368-1, TS1, held for over 1 min, and ISO 13732-1, 10 min on metal (both from memory).
HOT_TO_TOUCH_degC = 48.0
EXTRAPOLATED_BEYOND = 1.2  # times the tested power
FEWEST_DRAWS = 2  # where a prediction's uncertainty is not used

STANDING_CAUTION = (
    "one prototype on one bench: allow for spread from unit to unit, ageing pads, dust, paint and "
    "mounting; the codes in force, and those licensed to judge by them, have the last word"
)


@dataclass(frozen=True)
class Estimate:
    """A value with its standard uncertainty and 95 % interval."""

    value: float
    u: float
    low: float
    high: float

    @staticmethod
    def of(draws: Array) -> Estimate:
        """Value, standard deviation and 95 % interval of draws (JCGM 101).

        Args:
            draws: (n,), the first of which is the value itself.

        Returns:
            The estimate, in the unit of the draws.

        >>> estimate = Estimate.of(np.array([3.0, 1.0, 2.0, 3.0, 4.0, 5.0]))
        >>> estimate.value, round(estimate.u, 6)  # sqrt(10 / 6)
        (3.0, 1.290994)
        """
        low, high = np.quantile(draws, [0.025, 0.975])
        return Estimate(float(draws[0]), float(np.std(draws)), float(low), float(high))


@dataclass(frozen=True)
class NodeTemperature:
    """A node at the design power and the worst ambient."""

    node: str
    degC: Estimate
    basis: str  # measured | budget | shared out


@dataclass(frozen=True)
class LimitRating:
    """One limit: how near it is at the design power, and which power reaches it."""

    name: str  # junction | touch
    node: str
    ambient_degC: float
    degC: Estimate
    limit_degC: float | None
    margin_K: float | None
    p_within: float | None
    decision: str | None
    allowable_power_W: Estimate | None


@dataclass(frozen=True)
class TouchRow:
    """One row of the touch table against the case."""

    standard: str
    contact: str
    material: str
    limit_degC: float
    p_within: float
    decision: str | None  # None: guidance, of a table that nobody has confirmed


@dataclass(frozen=True, eq=False)
class Rating(Tabular):
    """Result of `heatrun rate`."""

    budget: Budget
    power_W: float
    ambient_degC: float
    tested_power_W: float
    tested_ambient_degC: float
    nodes: tuple[NodeTemperature, ...]
    junction: LimitRating
    touch: LimitRating
    material: str  # of the surface that is touched
    touch_table: TouchTable
    touch_rows: tuple[TouchRow, ...]
    allowable_power_W: Estimate | None  # the lower of the limits stated
    set_by: str | None  # junction | touch
    surface_scale: Estimate | None  # predicted over real heat shed at one temperature
    duty: tuple[DutyPoint, ...]
    profile: ProfileResult | None
    missing: tuple[str, ...]
    cautions: tuple[str, ...]
    warnings: tuple[str, ...]

    def __repr__(self) -> str:
        allowed = "no limit stated"
        if self.allowable_power_W is not None:
            power = self.allowable_power_W
            interval = between(power.low, power.high)
            allowed = f"{digits(power.value)} W allowable, {interval} W, set by {self.set_by}"
        return f"<Rating at {fixed(self.ambient_degC, 1)} °C: {allowed}>"

    def to_frame(self) -> DataFrame:
        """A row a node at the design power and the worst ambient [degC]."""
        import pandas as pd

        rows = [
            {"node": one.node, "degC": one.degC.value, "u_K": one.degC.u, "basis": one.basis}
            for one in self.nodes
        ]
        return pd.DataFrame(rows)


def rate(
    spans: Spans,
    budget: Budget,
    touch_table: TouchTable,
    *,
    ambient_degC: float | None = None,
    profile: Profile | None = None,
    material: str = "metal",
    resistances: Resistances | None = None,
) -> Rating:
    """Rate a measured product.

    Args:
        spans: as measured.
        budget: its design power, worst ambient, limits, and the stages not measured.
        touch_table: limits for touching.
        ambient_degC: worst ambient; the budget's when None [degC].
        profile: a power profile to run through the fitted network.
        material: of the case: metal, glass or plastic.
        resistances: the budget's stage resistances at any power and ambient; solved when None.

    Returns:
        Allowable power, temperatures and margins at the worst ambient, pulses and profile.

    Raises:
        BudgetError: the run and the budget share fewer than two nodes.
        NotIdentifiable: a profile is asked for and the run has no network against ambient.
    """
    from fit.budget import predict

    solve = resistances or _solver(budget)
    tested_degC = _tested_ambient(spans, budget)
    prediction = predict(budget, power_W=spans.power_W, ambient_degC=tested_degC)
    laid = lay_on_budget(spans, budget)
    path = heat_path(laid, prediction, solve)
    worst, missing = _worst_ambient(budget, ambient_degC)
    hot, room = path.at(worst), path.at(touch_table.ambient_degC)
    source, skin = budget.tree.sources[0], budget.touched
    junction = _limit(JUNCTION, hot, source, budget.limits.junction_degC)
    touch = _limit(TOUCH, room, skin, budget.limits.case_touch_degC)
    set_by = _governing(junction, touch)
    response = spans.responses[-1] if spans.responses else None
    transient = transient_path(response, path.nominal.at(worst), laid.nodes, skin)
    if profile is not None and transient is None:
        raise NotIdentifiable(
            "a power profile needs the network against ambient, and the run has none; record an "
            "ambient thermocouple"
        )
    duty = _duty(transient, junction)
    return Rating(
        budget=budget,
        power_W=budget.conditions.power_W,
        ambient_degC=worst,
        tested_power_W=spans.power_W,
        tested_ambient_degC=tested_degC,
        nodes=_nodes(path, hot),
        junction=junction,
        touch=touch,
        material=material,
        touch_table=touch_table,
        touch_rows=_touch_rows(touch, touch_table, material),
        allowable_power_W=set_by.allowable_power_W if set_by else None,
        set_by=set_by.name if set_by else None,
        surface_scale=None if path.surface_scale is None else Estimate.of(path.surface_scale),
        duty=duty,
        profile=_profile(transient, junction, profile),
        missing=(*missing, *_missing(laid, budget, transient)),
        cautions=tuple(_cautions(hot, touch, set_by, duty, spans.power_W)),
        warnings=(
            *spans.warnings,
            *accuracy_not_stated(spans),
            *laid.warnings,
            *prediction.warnings,
        ),
    )


def _solver(budget: Budget) -> Resistances:
    """The budget's resistances at any power and ambient, each solved once."""
    from functools import lru_cache

    from fit.budget import predict

    @lru_cache(maxsize=256)
    def solve(power_W: float, ambient_degC: float) -> Array:
        return predict(budget, power_W, ambient_degC, draws=FEWEST_DRAWS).R_K_per_W

    return solve


def _tested_ambient(spans: Spans, budget: Budget) -> float:
    """Ambient of the run, the budget's own where it was not measured [degC]."""
    if spans.topology.reference == budget.ambient and math.isfinite(spans.final_degC[-1]):
        return float(spans.final_degC[-1])
    return budget.conditions.ambient_degC


def _worst_ambient(budget: Budget, stated: float | None) -> tuple[float, tuple[str, ...]]:
    if stated is not None:
        return stated, ()
    if budget.conditions.ambient_max_degC is not None:
        return budget.conditions.ambient_max_degC, ()
    ambient = budget.conditions.ambient_degC
    return ambient, (
        f"no worst ambient: rated at the budget's {ambient:g} °C; state "
        "conditions.ambient_max_degC or --ambient",
    )


def _limit(name: str, climate: OperatingPoint, node: str, limit_degC: float | None) -> LimitRating:
    degC = Estimate.of(climate.node_degC(node, climate.path.budget.conditions.power_W))
    if limit_degC is None:
        return LimitRating(name, node, climate.ambient_degC, degC, *([None] * 5))
    p = probability_of_conformity(degC.value, degC.u, upper=limit_degC)
    return LimitRating(
        name=name,
        node=node,
        ambient_degC=climate.ambient_degC,
        degC=degC,
        limit_degC=limit_degC,
        margin_K=limit_degC - degC.value,
        p_within=p,
        decision=decide(p),
        allowable_power_W=Estimate.of(climate.allowable_W(node, limit_degC)),
    )


def _governing(*limits: LimitRating) -> LimitRating | None:
    """The limit that is reached first; None where none is stated."""
    stated = [limit for limit in limits if limit.allowable_power_W is not None]
    return min(stated, key=_allowable_W, default=None)


def _allowable_W(limit: LimitRating | None) -> float:
    allowable = limit.allowable_power_W if limit else None
    return allowable.value if allowable else 0.0


def _nodes(path: HeatPath, climate: OperatingPoint) -> tuple[NodeTemperature, ...]:
    power_W = path.budget.conditions.power_W
    return tuple(
        NodeTemperature(node, Estimate.of(climate.node_degC(node, power_W)), path.basis(node))
        for node in path.budget.tree.nodes
    )


def _touch_rows(touch: LimitRating, table: TouchTable, material: str) -> tuple[TouchRow, ...]:
    rows = []
    for limit, limit_degC in table.of(material):
        p = probability_of_conformity(touch.degC.value, touch.degC.u, upper=limit_degC)
        decision = decide(p) if table.decides else None
        rows.append(TouchRow(limit.standard, limit.contact, material, limit_degC, p, decision))
    return tuple(rows)


def _relative_u(junction: LimitRating) -> float:
    rise = junction.degC.value - junction.ambient_degC
    return junction.degC.u / rise if rise > 0 else math.nan


def _duty(transient: TransientPath | None, junction: LimitRating) -> tuple[DutyPoint, ...]:
    if transient is None or junction.limit_degC is None:
        return ()
    return duty_table(transient, junction.limit_degC, _relative_u(junction))


def _profile(
    transient: TransientPath | None, junction: LimitRating, profile: Profile | None
) -> ProfileResult | None:
    if transient is None or profile is None:
        return None
    return run_profile(transient, profile, junction.limit_degC, _relative_u(junction))


def _missing(laid: Alignment, budget: Budget, transient: TransientPath | None) -> Iterator[str]:
    if budget.limits.junction_degC is None:
        yield (
            f"no limit for the {budget.tree.sources[0]}: state limits.junction_degC for its "
            "allowable power"
        )
    if budget.limits.case_touch_degC is None:
        yield (
            "no touch limit: state limits.case_touch_degC for a decision and an allowable power; "
            "the table is shown beside it"
        )
    if laid.unmeasured:
        names = ", ".join(f"'{budget.stages[i].name}'" for i in laid.unmeasured)
        yield f"nobody measured {names}: taken from the budget, with its uncertainty"
    if transient is None:
        yield "no network against ambient was measured: no duty cycles and no profile"


def _cautions(
    hot: OperatingPoint,
    touch: LimitRating,
    set_by: LimitRating | None,
    duty: tuple[DutyPoint, ...],
    tested_W: float,
) -> Iterator[str]:
    design_W = hot.path.budget.conditions.power_W
    case_degC = float(hot.path.nominal.at(hot.ambient_degC).node_degC(touch.node, design_W)[0])
    if max(case_degC, touch.degC.value) > HOT_TO_TOUCH_degC:
        yield (
            f"hot surface: the {touch.node} reaches {touch.degC.value:.0f} °C at "
            f"{touch.ambient_degC:g} °C ambient and {case_degC:.0f} °C at {hot.ambient_degC:g} °C; "
            "mark it, guard it, or keep it out of reach"
        )
    highest_W = max(design_W, _allowable_W(set_by))
    if highest_W > EXTRAPOLATED_BEYOND * tested_W:
        yield (
            f"tested at {digits(tested_W)} W: what is said of {digits(highest_W)} W is an "
            "extrapolation; test at that power, with the guard set and a hardware cut-out, before "
            "relying on it"
        )
    if any(point.allowable_pulse_W > EXTRAPOLATED_BEYOND * tested_W for point in duty):
        yield (
            f"pulses above {digits(tested_W)} W were not tested: the part's own limits for pulses, "
            "its supply's and its wiring's come first"
        )
    yield STANDING_CAUTION
