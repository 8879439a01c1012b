"""The budget as tables a person can read."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from fit.notation import digits, fixed, with_expanded

if TYPE_CHECKING:
    from rich.table import Table

    from fit.budget.model import Budget, Prediction, Stage
    from fit.budget.worst_case import WorstCase

BAR_CELLS = 16  # characters, so that the table stays within a terminal's 80
MAIN_DRIVERS = 2  # named in one sentence; the table of the report has them all
SURE = 1.645  # standard uncertainties for 95 % on one side


def show(prediction: Prediction) -> None:
    """Print stages with a bar for each temperature drop, nodes, time constants and main inputs.

    Args:
        prediction: of a budget.
    """
    from rich.console import Console
    from rich.markup import escape

    console = Console(highlight=False)
    budget = prediction.budget
    console.print(
        f"[bold]{escape(budget.title or budget.path.name)}[/bold]\n"
        f"{digits(prediction.power_W)} W, of which {100 * budget.conditions.path_fraction:.0f} % "
        f"takes this path, in air of {prediction.ambient_degC:z.1f} °C\n"
    )
    for line in _lead(prediction):
        console.print(line, markup=False)
    console.print()
    console.print(_stages(prediction))
    console.print()
    console.print(_nodes(prediction))
    console.print()
    if budget.named_sources:
        for table in (_sources(prediction), _matrix(prediction)):
            console.print(table)
            console.print()
    if len(prediction.tau_s):
        console.print(f"Time constants expected at {prediction.foster_node}: {_taus(prediction)}")
    else:
        console.print("No heat capacities (C_J_per_K): no time constants predicted.")
    for line in _driver_lines(prediction):
        console.print(line, markup=False)
    console.print("± is the expanded uncertainty, k = 2.")
    for warning in prediction.warnings:
        console.print(f"Note: {warning}.", markup=False)


def _lead(prediction: Prediction) -> list[str]:
    """What a designer asks first: hot enough to fail, how much power, how much resistance."""
    from fit.budget.worst_case import worst_case

    budget = prediction.budget
    worst = worst_case(prediction)
    lines = _limit_lines(prediction)
    touched = budget.touched
    if touched in worst.degC:
        hot = _kelvins(worst.degC[touched])
        lines.append(f"In air of {worst.ambient_degC:z.0f} °C {touched} comes to {hot} °C.")
    if worst.allowable_W is not None:
        lines.append(
            f"Up to {digits(worst.allowable_W)} W keeps {_kept(worst, budget)}, "
            "by the stated values."
        )
    if not budget.named_sources and prediction.power_W:
        first = budget.nodes[0]
        per_watt = digits(prediction.rise_K[first] / prediction.power_W)
        lines.append(
            f"All together {per_watt} K per electrical watt from {first} to {budget.ambient}."
        )
    return lines


def _kept(worst: WorstCase, budget: Budget) -> str:
    """The limits that the allowable power is held against, each with its air."""
    from fit.budget.worst_case import TOUCH_AMBIENT_DEGC

    kept = [f"{node} within {limit:z.0f} °C" for node, limit in worst.limit_degC.items()]
    said = [f"{' and '.join(kept)} in air of {worst.ambient_degC:z.0f} °C"] if kept else []
    touch = budget.limits.case_touch_degC
    if touch is not None:
        air = f"in air of {TOUCH_AMBIENT_DEGC:.0f} °C"
        said.append(f"{budget.touched} within {touch:z.0f} °C {air}")
    return ", and ".join(said)


def _stages(prediction: Prediction) -> Table:
    from rich.markup import escape
    from rich.table import Table

    table = Table(
        box=None, pad_edge=False, title="Stages", title_justify="left", title_style="bold"
    )
    for name, justify in (
        ("stage", "left"),
        ("from", "left"),
        ("to", "left"),
        ("R (K/W)", "right"),
        ("drop (K)", "right"),
        ("the kelvins", "left"),
    ):
        table.add_column(name, justify=justify, no_wrap=name != "stage")  # type: ignore[arg-type]
    u = np.sqrt(np.diag(prediction.R_covariance))
    drops = _drops(prediction)
    for stage, R, u_R, drop in zip(
        prediction.budget.stages, prediction.R_K_per_W, u, drops, strict=True
    ):
        table.add_row(
            escape(stage.name),
            stage.from_node,
            stage.to_node,
            with_expanded(float(R), float(u_R)) + ("*" if _assumed(stage) else " "),
            _kelvins(float(drop)),
            "█" * max(1, round(BAR_CELLS * drop / max(drops.sum(), 1e-12))),
        )
    return table


def _kelvins(value: float) -> str:
    """A temperature or a drop without an interval: tenths, from a thousand on three digits."""
    return fixed(value, 1) if abs(value) < 1000 else digits(value)


def _nodes(prediction: Prediction) -> Table:
    from rich.table import Table

    ambient_u = prediction.budget.conditions.ambient_degC_u
    table = Table(box=None, pad_edge=False, title="Nodes", title_justify="left", title_style="bold")
    table.add_column("node")
    for name in ("rise (K)", "°C"):
        table.add_column(name, justify="right")
    for node, rise in prediction.rise_K.items():
        rise_u, degC = prediction.rise_u_K[node], prediction.ambient_degC + rise
        table.add_row(
            node,
            with_expanded(rise, rise_u),
            with_expanded(degC, math.hypot(rise_u, ambient_u)),
        )
    return table


def _taus(prediction: Prediction) -> str:
    """Time constants with their expanded uncertainties; those of nodes without capacity are 0."""
    return ", ".join(
        f"{with_expanded(float(tau), float(u))} s"
        for tau, u in zip(prediction.tau_s, prediction.tau_u_s, strict=True)
        if tau > 0
    )


def _limit_lines(prediction: Prediction) -> list[str]:
    """The budget's limits where they are judged: junction in the hottest air, touch at 25 degC."""
    from fit.budget import predict
    from fit.budget.worst_case import TOUCH_AMBIENT_DEGC

    budget = prediction.budget
    hottest = budget.conditions.ambient_max_degC
    worst_degC = prediction.ambient_degC if hottest is None else hottest
    touch_degC, where = budget.limits.case_touch_degC, ", where touch is judged,"
    own = {source.node: source.limit_degC for source in budget.sources}
    first = budget.nodes[0]
    junction_degC = budget.limits.junction_degC if own.get(first) is None else None
    judged = (
        (first, junction_degC, worst_degC, ""),
        (budget.touched, touch_degC, TOUCH_AMBIENT_DEGC, where),
    )
    lines = []
    for node, limit, ambient, why in judged:
        if limit is None:
            continue
        there = predict(budget, power_W=prediction.power_W, ambient_degC=ambient)
        degC, u = ambient + there.rise_K[node], there.rise_u_K[node]
        lines.append(
            f"In air of {ambient:z.0f} °C{why} {node} comes to {with_expanded(degC, u)} °C; "
            f"its limit is {limit:z.0f} °C: {_standing(limit - degC, u)}."
        )
    return lines


def _standing(margin_K: float, u_K: float) -> str:
    """In words, at 95 % one-sided as the decisions of `check` (JCGM 106)."""
    if abs(margin_K) < SURE * u_K:
        return "too close to say"
    return "within" if margin_K >= 0 else "over it"


def _drops(prediction: Prediction) -> np.ndarray:
    rise = prediction.rise_K
    return np.array([rise[a] - rise[b] for a, b in prediction.budget.tree.links])


def _sources(prediction: Prediction) -> Table:
    """Temperature of each source's node, by its own power and by all."""
    from rich.markup import escape
    from rich.table import Table

    from fit.budget.sources import outlook

    budget = prediction.budget
    hottest = budget.conditions.ambient_max_degC
    ambient = prediction.ambient_degC if hottest is None else hottest
    title = f"Sources, in air of {ambient:z.0f} °C"
    table = Table(box=None, pad_edge=False, title=title, title_justify="left", title_style="bold")
    table.add_column("source", no_wrap=True)
    table.add_column("node", no_wrap=True)
    for name in ("W", "alone (°C)", "together (°C)", "limit (°C)", "allowed beside the others (W)"):
        table.add_column(name, justify="right")
    for one in outlook(budget, prediction.source_power_W.tolist(), ambient):
        table.add_row(
            escape(one.name),
            one.node,
            digits(one.power_W),
            _kelvins(one.alone_degC),
            _kelvins(one.together_degC),
            "–" if one.limit_degC is None else f"{one.limit_degC:.0f}",
            digits(one.allowable_W),
        )
    return table


def _matrix(prediction: Prediction) -> Table:
    """Rise of every node per watt of each source."""
    from rich.markup import escape
    from rich.table import Table

    table = Table(
        box=None,
        pad_edge=False,
        title="Rise per watt of (K/W)",
        title_justify="left",
        title_style="bold",
    )
    table.add_column("node")
    for source in prediction.budget.sources:
        table.add_column(escape(source.name), justify="right")
    rows = prediction.resistance_matrix_K_per_W
    for node, row in zip(prediction.budget.tree.nodes, rows, strict=True):
        table.add_row(node, *(fixed(float(value), 2) for value in row))
    return table


def _assumed(stage: Stage) -> list[str]:
    """Keys of a stage whose uncertainty is the kind's own default."""
    return [key for key, number in stage.uncertain.items() if number.default]


def _driver_lines(prediction: Prediction) -> list[str]:
    lines = []
    main = prediction.drivers[:MAIN_DRIVERS]
    if main:
        named = " and ".join(
            f"{key} of {stage} ({100 * share:.0f} %)" for stage, key, share in main
        )
        first = prediction.budget.nodes[0]
        lines.append(f"What the rise of {first} hangs on most: {named} of its variance.")
    assumed = [
        f"{stage.name} ({', '.join(_assumed(stage))})"
        for stage in prediction.budget.stages
        if _assumed(stage)
    ]
    if assumed:
        lines.append(f"* uncertainty not stated, the kind's default used: {'; '.join(assumed)}.")
    return lines
