"""`heatrun check`: measured against predicted, span by span."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fit.commands.options import AsJson, Jobs, Resume, RowTable, Scheduler
from fit.output.one_line import say

if TYPE_CHECKING:
    from fit.commands.batch_check import Checked
    from fit.statistics.batch import Outcome

EXIT_STATUS = {"conforming": 0, "non-conforming": 1, "undecided": 3}


def command(
    run: Annotated[
        list[Path],
        typer.Argument(metavar="RUN", help="Run folder or readings CSV; or a folder of runs."),
    ],
    *,
    budget: Annotated[
        Path | None,
        typer.Option(
            "--budget",
            metavar="BUDGET",
            help="The budget.toml to check against; the one kept in each run if not given.",
            show_default=False,
        ),
    ] = None,
    as_json: AsJson = False,
    table: RowTable = None,
    resume: Resume = False,
    jobs: Jobs = None,
    scheduler: Scheduler = None,
) -> None:
    """Measured against predicted, span by span: what is wrong?

    Prints the decision and the likely cause. Writes check.json into each run folder. Exit
    status: 0 all spans conform, 1 a span does not, 3 not decided, 2 bad input. A span conforms
    where its resistance is under its limit with a probability of at least 95 %.
    """
    from fit.commands import batch_check
    from fit.statistics.batch import find_runs

    _refuse_odd_options(table, resume, as_json)
    if budget is not None:
        batch_check.read_once(budget)
    runs = find_runs(run)
    alone = len(runs) == 1
    several = batch_check.DOCUMENT if as_json else batch_check.ROW
    batch = batch_check.Batch(
        budget=budget,
        jobs=jobs,
        scheduler=None if alone else scheduler,
        table=table,
        resume=resume,
        bring=batch_check.VERDICT if alone else several,
        quiet=as_json,
    )
    outcomes = batch_check.check_many(runs, batch)
    for outcome in outcomes:
        if outcome.error is not None:
            say(outcome.error)
    (_print_json if as_json else _print)(outcomes)
    raise typer.Exit(exit_status(outcomes))


def _refuse_odd_options(table: Path | None, resume: bool, as_json: bool) -> None:
    if resume and table is None:
        raise typer.BadParameter("--resume goes on with a table: name it, --table FILE")
    if resume and as_json:
        raise typer.BadParameter("--resume, --json: one of them; the table holds no whole document")
    if table is not None and table.suffix == ".parquet":
        raise typer.BadParameter("--table: a table that grows is a CSV; 'units' writes .parquet")


def exit_status(outcomes: list[Outcome[Checked]]) -> int:
    """1 where a run does not conform, else 2 where one could not be read, else 3, else 0."""
    statuses = {
        2 if outcome.result is None else EXIT_STATUS[outcome.result.decision]
        for outcome in outcomes
    }
    return next((status for status in (1, 2, 3) if status in statuses), 0)


def _print_json(outcomes: list[Outcome[Checked]]) -> None:
    from fit.output.documents import check_document
    from fit.records.results import to_json

    if len(outcomes) == 1:
        found = outcomes[0].result
        if found is not None and found.verdict is not None:
            typer.echo(to_json(check_document(found.verdict)))
        return
    runs = [
        {"run": str(outcome.path), "error": outcome.error}
        if outcome.result is None
        else {"run": str(outcome.path), **(outcome.result.document or {})}
        for outcome in outcomes
    ]
    typer.echo(to_json({"schema": "heatrun.checks/1", "runs": runs}))


def _print(outcomes: list[Outcome[Checked]]) -> None:
    from rich.console import Console

    from fit.commands.batch_check import row_of
    from fit.output.terminal.check import print_verdict
    from fit.output.terminal.runs import print_runs

    console = Console(highlight=False)
    alone = outcomes[0].result if len(outcomes) == 1 else None
    if alone is not None and alone.verdict is not None:
        print_verdict(console, alone.verdict)
    elif len(outcomes) > 1 or alone is not None:
        print_runs(console, [row_of(outcome) for outcome in outcomes])
