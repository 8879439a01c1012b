"""`heatrun netlist`: the fitted network as a SPICE subcircuit."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fit.output.verbosity import working

if TYPE_CHECKING:
    from fit.records.run import Run


class Form(StrEnum):
    """How the network is written."""

    foster = "foster"
    cauer = "cauer"


def command(
    run: Annotated[Path, typer.Argument(metavar="RUN", help="A run folder or a readings CSV.")],
    *,
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
    budget: Annotated[
        Path | None,
        typer.Option(
            metavar="BUDGET",
            help="The budget.toml that says how the branches of several sources meet, where the "
            "run does not keep it.",
            show_default=False,
        ),
    ] = None,
) -> None:
    """Print the fitted network as a SPICE subcircuit.

    One ampere is one watt, one volt one kelvin. The first pin takes the heat; ground the second or
    drive it with the reference's temperature. The network is linear: true near the run's own
    temperatures, and no proof that a part is safe beyond them.
    """
    from fit.compact_model.spice import netlist
    from fit.errors import about
    from fit.identification.identify import identify
    from fit.records.run import read_run

    recorded = read_run(run)
    if len(recorded.sources) > 1:
        typer.echo(_of_branches(recorded, budget, name or recorded.label), nl=False)
        return
    with working(f"fitting {run}"):
        response = identify(recorded, reference)
    with about(run):
        text = netlist(response, form.value, name or recorded.label, outputs)
    typer.echo(text, nl=False)


def _of_branches(run: Run, stated: Path | None, name: str) -> str:
    """The network of several sources, one pin for each."""
    from fit.budget.run_budget import branches_budget
    from fit.compact_model.branch_spice import branch_netlist
    from fit.measurement.branches import measure_branches

    budget = branches_budget(run, stated)
    with working(f"fitting {run.path}"):
        branches = measure_branches(run, budget)
    remark = ""
    if branches.air is not None and branches.spans.resolved[-1]:
        start, end = branches.spans.topology.links[-1]
        R, heat_W = branches.air.R_K_per_W, branches.path_W.sum()
        remark = f"{start} to {end} measured {R:.4g} K/W at {heat_W:.3g} W: not in here"
    names = [source.name for source in budget.sources]
    return branch_netlist(branches.network, names, name, remark)
