"""`heatrun compare`: runs side by side, span by span."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fit.commands.options import AsJson, Jobs, Table
from fit.output.one_line import say
from fit.output.verbosity import tracked

if TYPE_CHECKING:
    from fit.statistics.batch import Outcome
    from fit.statistics.comparison import Comparison, MeasuredRun


def command(
    run: Annotated[
        list[Path],
        typer.Argument(metavar="RUN", help="Run folders or readings CSVs; or folders of runs."),
    ],
    *,
    against: Annotated[
        str | None,
        typer.Option(
            metavar="NAME[=V,V,…]",
            help="Trend against a quantity: torque_Nm=0.3,0.5,0.7 with one value for each run in "
            "their order, or torque_Nm alone where the runs' labels state it (torque_Nm=0.5).",
        ),
    ] = None,
    remounted: Annotated[
        bool,
        typer.Option(
            "--remounted",
            help="The thermocouples were put on anew in between: their match does not cancel.",
        ),
    ] = False,
    plot: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Also draw the spans to a new PNG file.")
    ] = None,
    budget: Annotated[
        Path | None,
        typer.Option(
            metavar="BUDGET",
            help="The budget.toml that says how the branches of several sources meet, where the "
            "runs do not keep it.",
        ),
    ] = None,
    table: Table = None,
    as_json: AsJson = False,
    jobs: Jobs = None,
) -> None:
    """Spans side by side: before and after, unit to unit.

    The first run is what the others are held against. What the runs share, the rig's power reading
    and the match of its thermocouples, cancels in the difference. Exit status 2 where a run could
    not be read; the rest are compared all the same.
    """
    from fit.errors import NotIdentifiable
    from fit.output.figures.comparison import comparison_figure, save_figure
    from fit.output.terminal.compare import write_table
    from fit.records.csv_export import refuse_existing
    from fit.statistics.batch import find_runs
    from fit.statistics.comparison import compare
    from fit.statistics.stated_values import values_of

    for file in (plot, table):
        if file is not None:
            refuse_existing(file)
    runs = find_runs(run)
    if len(runs) == 1:
        raise NotIdentifiable(f"{runs[0]}: one run has nothing to compare with; name two")
    outcomes = _measured(runs, budget, jobs, quiet=as_json)
    for outcome in outcomes:
        if outcome.error is not None:
            say(outcome.error)
    measured = [outcome.result for outcome in outcomes if outcome.result is not None]
    if len(measured) < 2:
        raise typer.Exit(2)
    name, x = (None, None) if against is None else values_of(measured, against)
    comparison = compare(measured, name, x, remounted)
    if plot is not None:
        save_figure(comparison_figure(comparison), plot)
    if table is not None:
        write_table(table, comparison)
    failed = [(str(outcome.path), outcome.error) for outcome in outcomes if outcome.error]
    _show(comparison, failed, as_json)
    if failed:
        raise typer.Exit(2)


def _measured(
    runs: tuple[Path, ...], budget: Path | None, jobs: int | None, *, quiet: bool
) -> list[Outcome[MeasuredRun]]:
    """Outcomes in the order of the runs, with a progress bar where there are several."""
    from functools import partial

    from fit.statistics.batch import map_runs

    outcomes = map_runs(partial(_measure, budget=budget), runs, jobs)
    outcomes = tracked(outcomes, "measuring", len(runs), quiet=quiet)
    order = {path: i for i, path in enumerate(runs)}
    return sorted(outcomes, key=lambda outcome: order[outcome.path])


def _measure(path: Path, budget: Path | None) -> MeasuredRun:
    from fit.budget import read_budget
    from fit.records.run import read_run
    from fit.statistics.comparison import measure_run

    return measure_run(read_run(path), None if budget is None else read_budget(budget))


def _show(comparison: Comparison, failed: list[tuple[str, str]], as_json: bool) -> None:
    from rich.console import Console

    from fit.output.terminal.compare import compare_document, print_comparison
    from fit.records.results import to_json

    if as_json:
        typer.echo(to_json(compare_document(comparison, failed)))
    else:
        print_comparison(Console(highlight=False), comparison)
