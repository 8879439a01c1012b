"""`heatrun units`: many units of one design: yield, distribution, drift, the worst."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fit.commands.options import AsJson, Jobs, Resume, Scheduler
from fit.output.one_line import say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fit.statistics.unit_row import UnitRow


def command(
    run: Annotated[
        list[Path],
        typer.Argument(metavar="RUNS", help="Folders of runs; or run folders and readings CSVs."),
    ],
    *,
    budget: Annotated[
        Path | None,
        typer.Option(
            metavar="BUDGET",
            help="The budget.toml to hold them against; the one kept in each run if not given.",
            show_default=False,
        ),
    ] = None,
    by: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME",
            help="Look for drift by what was set in each run (log --set lot=A3), beside its date; "
            "again for more.",
        ),
    ] = None,
    spread: Annotated[
        float,
        typer.Option(
            min=0.001,
            max=10.0,
            help="How much units are expected to differ: scale of the half-normal prior of their "
            "standard deviation, over the mean. It counts where there are few.",
        ),
    ] = 0.10,
    worst: Annotated[int, typer.Option(min=0, help="How many of the worst units to name.")] = 10,
    table: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Also write every span of every run to a new table: FILE.csv, each run's as it "
            "ends, or FILE.parquet (heatrun[fleet]).",
        ),
    ] = None,
    resume: Resume = False,
    plot: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Also draw the spans to a new PNG file.")
    ] = None,
    as_json: AsJson = False,
    jobs: Jobs = None,
    scheduler: Scheduler = None,
) -> None:
    """Many units: yield, spread of each span, drift, the worst.

    Every run is checked as 'check' does, and check.json written. Of a unit that was run again the
    last run counts. Exit status 2 where a run could not be read; the rest go on.
    """
    from fit.commands import batch_check
    from fit.records.csv_export import refuse_existing
    from fit.records.parquet_export import ENDING, require_parquet
    from fit.statistics.batch import find_runs
    from fit.statistics.units import summarize

    whole = table is not None and table.suffix == ENDING
    if resume and (table is None or whole):
        raise typer.BadParameter("--resume goes on with a CSV table: name it, --table FILE.csv")
    if plot is not None:
        refuse_existing(plot)
    if table is not None and whole:
        require_parquet(table)
    if budget is not None:
        batch_check.read_once(budget)
    batch = batch_check.Batch(
        budget=budget,
        jobs=jobs,
        scheduler=scheduler,
        table=None if whole else table,
        resume=resume,
        quiet=as_json,
    )
    outcomes = batch_check.check_many(find_runs(run), batch)
    rows = [batch_check.row_of(outcome) for outcome in outcomes]
    for row in rows:
        if row.error is not None:
            say(row.error)
    if table is not None and whole:
        _write_parquet(table, rows)
    units = summarize(rows, by=by or (), relative_scale=spread, worst=worst)
    if plot is not None:
        from fit.output.figures.comparison import save_figure
        from fit.output.figures.population import population_figure

        save_figure(population_figure(units), plot)
    if as_json:
        from fit.output.units_document import units_document
        from fit.records.results import to_json

        typer.echo(to_json(units_document(units)))
    else:
        from rich.console import Console

        from fit.output.terminal.units import print_units

        print_units(Console(highlight=False), units)
    if units.not_read:
        raise typer.Exit(2)


def _write_parquet(table: Path, rows: Sequence[UnitRow]) -> None:
    from fit.output.unit_rows import COLUMNS, NUMBERS, table_rows
    from fit.records.growing_table import ROWS
    from fit.records.parquet_export import write_parquet

    write_parquet(
        table,
        COLUMNS,
        [line for row in rows for line in table_rows(row)],
        numbers=(*NUMBERS, "probability", ROWS),
        truths=("resolved",),
    )
