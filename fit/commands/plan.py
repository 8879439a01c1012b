"""`heatrun plan`: what a run will be able to decide, before anyone heats anything."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fit.commands.options import AsJson
from fit.output.verbosity import working

if TYPE_CHECKING:
    from fit.planning.experiment import Plan


def command(
    budget: Annotated[Path, typer.Argument(metavar="BUDGET", help="The budget.toml.")],
    *,
    rig: Annotated[
        Path | None,
        typer.Option(
            metavar="RIG", help="The rig.toml; a typical bench, which is said, if left out."
        ),
    ] = None,
    heat: Annotated[
        float | None,
        typer.Option(
            metavar="S", min=1, max=30 * 86400, help="Heating in s; the rig's own if left out."
        ),
    ] = None,
    png: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Also draw uncertainty against time, and what each thermocouple is worth, into "
            "DIR.",
            show_default=False,
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """What a run will be able to decide, and when.

    Nothing is heated. For every span the uncertainty to expect, the time from which it is
    decided, the chance of either decision, and the smallest excess found in 95 of 100 runs.
    """
    from fit.budget import read_budget
    from fit.planning.bench import read_bench
    from fit.planning.experiment import plan

    stated = read_budget(budget)
    bench = None if rig is None else read_bench(rig, stated)
    with working(f"planning {budget}"):
        found = plan(stated, bench, heat)
    drawn = [] if png is None else _draw(found, png)
    if as_json:
        from fit.output.plan_document import plan_document
        from fit.records.results import to_json

        typer.echo(to_json(plan_document(found)))
        return
    from rich.console import Console

    from fit.output.terminal.plan import print_plan

    console = Console(highlight=False)
    print_plan(console, found)
    for path in drawn:
        console.print(str(path), markup=False)


def _draw(found: Plan, folder: Path) -> list[Path]:
    from fit.output.figures.planned import planned_figure, thermocouples_figure
    from fit.output.theme import make_png_folder, save_png

    make_png_folder(folder)
    figures = {"plan_uncertainty": planned_figure(found)}
    if found.thermocouples:
        figures["plan_thermocouples"] = thermocouples_figure(found)
    return [save_png(figure, folder / f"{name}.png") for name, figure in figures.items()]
