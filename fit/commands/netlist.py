"""`heatrun netlist`: the fitted network as a SPICE subcircuit."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from fit.output.verbosity import working


class Form(StrEnum):
    """How the network is written."""

    foster = "foster"
    cauer = "cauer"


def command(
    run: Annotated[Path, typer.Argument(metavar="RUN", help="A run folder or a readings CSV.")],
    form: Annotated[
        Form,
        typer.Option(
            help="foster: the fit, term by term; cauer: the ladder of the heat path, a sensor's "
            "lag taken out and said."
        ),
    ] = Form.foster,
    reference: Annotated[
        str | None, typer.Option(help="Node the rises are taken against; ambient by default.")
    ] = None,
    name: Annotated[
        str | None, typer.Option(help="Name of the subcircuit; the run's label by default.")
    ] = None,
    outputs: Annotated[
        bool, typer.Option("--outputs", help="Add a pin for each further node, to read its rise.")
    ] = False,
) -> None:
    """Print the network of the heated node as a SPICE subcircuit.

    One ampere is one watt, one volt one kelvin. The first pin takes the heat; ground the second or
    drive it with the reference's temperature. The network is linear: true near the run's own
    temperatures, and no proof that a part is safe beyond them.
    """
    from fit.compact_model.spice import netlist
    from fit.errors import about
    from fit.identification.identify import identify
    from fit.records.run import read_run

    recorded = read_run(run)
    with working(f"fitting {run}"):
        response = identify(recorded, reference)
    with about(run):
        text = netlist(response, form.value, name or recorded.label, outputs)
    typer.echo(text, nl=False)
