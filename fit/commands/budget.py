"""`heatrun budget`: what the budget predicts, and where the kelvins go."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fit.commands.options import AsJson, check_air
from fit.output.verbosity import working

if TYPE_CHECKING:
    from fit.budget.model import Budget, Prediction
    from fit.budget.target import Target

MOST_MARGIN_K = 500.0  # no limit of electronics is so far above the air
HIGHEST_W = 1e6


def command(
    budget: Annotated[Path, typer.Argument(metavar="BUDGET", help="The budget.toml.")],
    *,
    power: Annotated[
        float | None,
        typer.Option("--power", help="Electrical power in W; the budget's own if left out."),
    ] = None,
    ambient: Annotated[
        float | None, typer.Option("--ambient", help="Air in degC; the budget's own if left out.")
    ] = None,
    target: Annotated[
        str | None,
        typer.Option(
            metavar="NODE=degC",
            help="What each free input alone would have to be for a node to have this temperature "
            "in the worst ambient (that of --ambient, where given).",
            show_default=False,
        ),
    ] = None,
    margin: Annotated[
        float | None,
        typer.Option(
            metavar="K",
            min=0,
            max=MOST_MARGIN_K,
            help="The same for the node nearest to its limit: so many K below it.",
            show_default=False,
        ),
    ] = None,
    png: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="With --target or --margin: also draw what each input brings into DIR.",
            show_default=False,
        ),
    ] = None,
    learned: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="What runs of this design or an earlier one have taught (heatrun learn).",
            show_default=False,
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Predicted resistances, temperatures and time constants.

    With their uncertainty; shows where the kelvins go, and which inputs the result hangs on
    most.
    """
    from fit.budget import predict, read_budget
    from fit.errors import HeatrunError

    if power is not None and not 0 < power <= HIGHEST_W:
        raise HeatrunError(f"--power: {power:g} will not do; watts, more than 0, to {HIGHEST_W:g}")
    check_air(ambient)
    stated = read_budget(budget)
    if learned is not None:
        stated = _taught(stated, learned)
    prediction = predict(stated, power_W=power, ambient_degC=ambient)
    wanted = _wanted(prediction, target, margin, png, ambient)
    drawn = [] if wanted is None or png is None else [_draw(wanted, png)]
    if as_json:
        import json

        from fit.output.documents import budget_document
        from fit.output.target_document import target_document

        more: dict[str, object] = {}
        if wanted is not None:
            more["target"] = target_document(wanted)
        if stated.learned is not None:
            known = stated.learned.inputs
            more["learned"] = [{"owner": one.owner, "key": one.key} for one in known]
        typer.echo(json.dumps(budget_document(prediction) | more, indent=2))
        return
    from rich.console import Console

    from fit.output.terminal.budget import show
    from fit.output.terminal.learned import taught_line
    from fit.output.terminal.target import print_target

    console = Console(highlight=False)
    if learned is not None:
        console.print(taught_line(stated, str(learned)), markup=False)
    if wanted is None:
        show(prediction)
        return
    print_target(console, wanted)
    for path in drawn:
        console.print(str(path), markup=False)


def _taught(budget: Budget, file: Path) -> Budget:
    """The budget with what was learnt; refused where nothing of it is in the budget."""
    from fit.budget.learned import with_learned
    from fit.learning.file import read_learned

    return with_learned(budget, read_learned(file, budget).learned)


def _wanted(
    prediction: Prediction,
    target: str | None,
    margin_K: float | None,
    png: Path | None,
    ambient_degC: float | None,
) -> Target | None:
    """What --target or --margin asks, None where neither is given."""
    from fit.budget.target import what_to_change
    from fit.errors import HeatrunError

    if target is not None and margin_K is not None:
        raise HeatrunError("--target and --margin are both given; one of them")
    if target is None and margin_K is None:
        if png is not None:
            raise HeatrunError("--png draws what --target or --margin finds; state one of them")
        return None
    hottest = prediction.budget.conditions.ambient_max_degC
    own = prediction.ambient_degC if hottest is None else hottest
    air = own if ambient_degC is None else ambient_degC
    node, degC = _nearest_limit(prediction, margin_K or 0.0) if target is None else _parsed(target)
    with working(f"changing {prediction.budget.path}"):
        return what_to_change(prediction, node, degC, air)


def _parsed(target: str) -> tuple[str, float]:
    from fit.errors import HeatrunError

    node, separator, degC = target.partition("=")
    try:
        if not separator or not -1e3 < float(degC) < 1e3:
            raise ValueError(degC)
        return node.strip(), float(degC)
    except ValueError:
        problem = f"--target: {target!r} will not do; a node and its degC: junction=95"
        raise HeatrunError(problem) from None


def _nearest_limit(prediction: Prediction, margin_K: float) -> tuple[str, float]:
    """The node with the least margin to its limit in the worst ambient, and what it shall have."""
    from fit.budget.worst_case import worst_case
    from fit.errors import BudgetError

    worst = worst_case(prediction)
    if not worst.limit_degC:
        raise BudgetError(
            prediction.budget.path,
            "limits",
            "states none that --margin could be kept from",
            "junction_degC there, limit_degC of a [[source]], or --target NODE=degC",
        )
    node = max(worst.limit_degC, key=lambda name: worst.degC[name] - worst.limit_degC[name])
    return node, worst.limit_degC[node] - margin_K


def _draw(target: Target, folder: Path) -> Path:
    from fit.output.figures.target import target_figure
    from fit.output.theme import make_png_folder, save_png

    make_png_folder(folder)
    return save_png(target_figure(target), folder / "budget_target.png")
