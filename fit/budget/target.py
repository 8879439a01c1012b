"""What would have to change for a node to come to a temperature: each free input alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from fit.budget.model import Array, Budget, Prediction, Stage
from fit.budget.prediction import predict, rises_K
from fit.budget.sources import HIGHEST_W
from fit.budget.stages.base import numbers
from fit.errors import BudgetError

FARTHEST = 10.0  # times more or less than stated: beyond, it is another product. Our own
POINTS_A_DECADE = 5  # of each curve: neighbours 58 % apart, which straight lines join well enough
FELT_K = 1e-3  # less than any reading shows: the input has no part in the node's temperature
CLOSE = 1e-4  # relative, of a value found: finer than any drawing


@dataclass(frozen=True, eq=False)
class Change:
    """One input of a stage, and what the node's temperature does with it."""

    stage: str
    key: str
    value: float  # as stated, in the unit the key ends with
    step: float  # towards a colder node, in the same unit; less than zero where less is better
    K_per_step: float  # by which the node gets colder for the next step
    needed: float | None  # the value that alone brings the node to its target; None: none does
    values: Array  # (n,) that were looked at, ascending
    degC: Array  # (n,) of the node
    whole: bool = False  # a number of things

    @property
    def best(self) -> tuple[float, float]:
        """The value looked at that leaves the node coldest, and its temperature [degC]."""
        at = int(np.argmin(self.degC))
        return float(self.values[at]), float(self.degC[at])


@dataclass(frozen=True, eq=False)
class Target:
    """A node, the temperature it shall have, and what would bring it there."""

    budget: Budget
    node: str
    degC: float  # wanted
    ambient_degC: float
    now_degC: float  # by the stated values
    now_u_K: float
    power_W: float  # electrical, of all sources
    allowable_W: float  # at which the node comes to its target
    changes: tuple[Change, ...]  # those that alone will do first, the smallest change first

    @property
    def reached(self) -> bool:
        """Whether the node is at its target or colder as it is."""
        return self.now_degC <= self.degC


def what_to_change(prediction: Prediction, node: str, degC: float, ambient_degC: float) -> Target:
    """Every free input of a budget, alone: the value that brings a node to a temperature.

    The budget's own network is solved for each value, its surface at the heat that reaches it. A
    target that is met already says how far each input may be given back.

    Args:
        prediction: of the budget at the power meant.
        node: of the budget.
        degC: wanted of it [degC].
        ambient_degC: air in which it is wanted [degC].

    Raises:
        BudgetError: no such node, or a temperature that no product reaches.
    """
    budget, powers = prediction.budget, prediction.source_power_W
    if node not in budget.tree.nodes:
        nodes = ", ".join(budget.tree.nodes)
        raise BudgetError(
            budget.path, "--target", f"no stage begins at '{node}'", f"one of {nodes}"
        )
    if degC <= ambient_degC:
        problem = f"{degC:g} degC for {node} is not above the air's {ambient_degC:g} degC"
        raise BudgetError(budget.path, "--target", problem, "no part without cooling is colder")
    at = budget.tree.index(node)

    def node_degC(tried: Budget) -> float:
        return float(ambient_degC + rises_K(tried, powers, ambient_degC)[at])

    there = predict(budget, powers.tolist(), ambient_degC)
    now = ambient_degC + there.rise_K[node]
    found = [
        change
        for i, stage in enumerate(budget.stages)
        for key in ({} if stage.keys is None else stage.keys.free())
        if (change := _change(stage, key, _in_place(budget, i, node_degC), now, degC))
    ]
    return Target(
        budget=budget,
        node=node,
        degC=degC,
        ambient_degC=ambient_degC,
        now_degC=now,
        now_u_K=there.rise_u_K[node],
        power_W=prediction.power_W,
        allowable_W=_allowable(budget, powers, at, degC - ambient_degC, ambient_degC),
        changes=tuple(sorted(found, key=_how_far)),
    )


def with_input(stage: Stage, key: str, value: float) -> Stage:
    """A stage with one of its free inputs changed, as unsure of itself as it was.

    Args:
        stage: of a budget.
        key: of the stage's `free`.
        value: in the unit the key ends with.

    Raises:
        ValueError: there is no such stage.
    """
    if stage.keys is None:
        raise ValueError(f"{stage.name} has no formula")
    keys = stage.keys.changed(key, value)
    before, own = numbers(stage.keys), numbers(keys)
    # What runs have taught of a dimension stays: its ratio to the drawing.
    ratio = {name: own[name] / value if value else 1.0 for name, value in before.items()}
    uncertain = {
        name: replace(one, value=one.value * ratio[name], u=one.u * ratio[name])
        for name, one in stage.uncertain.items()
    }
    return replace(stage, keys=keys, uncertain=uncertain)


def _in_place(
    budget: Budget, i: int, node_degC: Callable[[Budget], float]
) -> Callable[[Stage], float]:
    """Temperature of the node with another stage in the place of stage i [degC]."""
    stages = budget.stages
    return lambda stage: node_degC(replace(budget, stages=(*stages[:i], stage, *stages[i + 1 :])))


def _change(
    stage: Stage, key: str, node_degC: Callable[[Stage], float], now: float, wanted: float
) -> Change | None:
    """What one input does; None where the node does not feel it."""
    assert stage.keys is not None
    value, step = stage.keys.free()[key]
    whole = type(stage.keys).model_fields.get(key)
    is_whole = whole is not None and whole.annotation is int

    def tried(x: float) -> float | None:
        try:
            return node_degC(with_input(stage, key, x))
        except ValueError:  # pydantic's own is one: the input cannot have this value
            return None

    values, degC = _curve(value, now, tried, whole=is_whole)
    if np.ptp(degC) < FELT_K:
        return None
    colder = _next_step(value, step, now, tried)
    return Change(
        stage=stage.name,
        key=key,
        value=value,
        step=colder[0],
        K_per_step=colder[1],
        needed=_crossing(values, degC, value, wanted, tried, whole=is_whole),
        values=values,
        degC=degC,
        whole=is_whole,
    )


def _curve(
    value: float, now: float, tried: Callable[[float], float | None], *, whole: bool
) -> tuple[Array, Array]:
    """Values about the stated one as far as they can be, and the node's temperature at each."""
    count = round(POINTS_A_DECADE * np.log10(FARTHEST))
    found = {value: now}
    for sign in (-1, 1):
        inside = value
        for factor in np.geomspace(1.0, FARTHEST, count + 1)[1:]:
            x = value * float(factor) ** sign
            x = float(max(round(x), 1)) if whole else x
            if (degC := tried(x)) is None:
                edge = _edge(inside, x, tried)
                found[edge] = now if edge == value else tried(edge) or now
                break
            found[x], inside = degC, x
    order = sorted(found)
    return np.array(order), np.array([found[x] for x in order])


def _edge(inside: float, outside: float, tried: Callable[[float], float | None]) -> float:
    """The last value that can be, between one that can and one that cannot."""
    for _ in range(20):  # to a millionth of the gap
        middle = 0.5 * (inside + outside)
        if tried(middle) is None:
            outside = middle
        else:
            inside = middle
    return inside


def _next_step(
    value: float, step: float, now: float, tried: Callable[[float], float | None]
) -> tuple[float, float]:
    """The step towards a colder node, and the kelvins it buys; no step where neither way is."""
    # Half of the value where a whole step would leave nothing of it.
    sides = (step, -min(step, value / 2))
    gains = [(side, now - degC) for side in sides if (degC := tried(value + side)) is not None]
    return max((*gains, (step, 0.0)), key=lambda one: one[1])


def _crossing(
    values: Array,
    degC: Array,
    value: float,
    wanted: float,
    tried: Callable[[float], float | None],
    *,
    whole: bool,
) -> float | None:
    """The value nearest to the stated one at which the node comes to its target."""
    over = degC > wanted
    turns = np.flatnonzero(over[1:] != over[:-1])
    if not len(turns):
        return None
    middles = np.log(values[turns] * values[turns + 1]) / 2
    nearest = turns[np.argmin(np.abs(middles - np.log(value)))]
    cold, hot = values[nearest], values[nearest + 1]
    if over[nearest]:
        cold, hot = hot, cold
    # The side that meets the target is kept; of a whole number until they are neighbours.
    while abs(hot - cold) > (1.0 if whole else CLOSE * abs(cold)):
        middle = 0.5 * (cold + hot)
        middle = float(np.floor(middle)) if whole else middle
        there = tried(middle)
        if there is not None and there <= wanted:
            cold = middle
        else:
            hot = middle
    return float(cold)


def _how_far(change: Change) -> tuple[bool, float]:
    if change.needed is None:
        return True, -change.K_per_step
    return False, abs(float(np.log(change.needed / change.value)))


def _allowable(budget: Budget, powers: Array, at: int, rise_K: float, ambient_degC: float) -> float:
    """Power of all sources, shared as they are, at which a node has a rise [W]."""
    from scipy.optimize import brentq

    def beyond(factor: float) -> float:
        return float(rises_K(budget, factor * powers, ambient_degC)[at] - rise_K)

    most = 1.0
    while beyond(most) < 0 and most * powers.sum() < HIGHEST_W:
        most *= 2
    factor = brentq(beyond, 0.0, most, xtol=1e-9) if beyond(most) > 0 else most
    return float(factor * powers.sum())
