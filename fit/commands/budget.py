"""`heatrun budget`: what the budget predicts, and where the kelvins go."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fit.commands.options import AsJson

HIGHEST_W = 1e6
AIR_degC = (-100.0, 200.0)


def command(
    budget: Annotated[Path, typer.Argument(metavar="BUDGET", help="The budget.toml.")],
    power: Annotated[
        float | None,
        typer.Option("--power", help="Electrical power in W; the budget's own if left out."),
    ] = None,
    ambient: Annotated[
        float | None, typer.Option("--ambient", help="Air in degC; the budget's own if left out.")
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
    if ambient is not None and not AIR_degC[0] <= ambient <= AIR_degC[1]:
        raise HeatrunError(f"--ambient: {ambient:g} will not do; degC, from -100 to 200")
    prediction = predict(read_budget(budget), power_W=power, ambient_degC=ambient)
    if as_json:
        import json

        from fit.output.documents import budget_document

        typer.echo(json.dumps(budget_document(prediction), indent=2))
        return
    from fit.output.terminal.budget import show

    show(prediction)
