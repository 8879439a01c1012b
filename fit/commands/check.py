"""`heatrun check`: measured against predicted, span by span."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fit.commands.options import AsJson, Jobs, Table
from fit.output.verbosity import is_quiet, working

if TYPE_CHECKING:
    from fit.assessment.conformity import Verdict
    from fit.budget.model import Budget
    from fit.statistics.batch import Outcome

EXIT_STATUS = {"conforming": 0, "non-conforming": 1, "undecided": 3}


def command(
    run: Annotated[
        list[Path],
        typer.Argument(metavar="RUN", help="Run folder or readings CSV; or a folder of runs."),
    ],
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
    table: Table = None,
    jobs: Jobs = None,
) -> None:
    """Measured against predicted, span by span: what is wrong?

    Prints the decision and the likely cause. Writes check.json into each run folder. Exit
    status: 0 all spans conform, 1 a span does not, 3 not decided, 2 bad input. A span conforms
    where its resistance is under its limit with a probability of at least 95 %.
    """
    from fit.records.csv_export import refuse_existing
    from fit.statistics.batch import find_runs

    if table is not None:
        refuse_existing(table)
    if budget is not None:
        _budget(budget)
    runs = find_runs(run)
    outcomes = _checked(runs, budget, jobs, quiet=as_json)
    for outcome in outcomes:
        if outcome.error is not None:
            typer.echo(f"heatrun: {outcome.error}", err=True)
    if as_json:
        _print_json(outcomes, alone=len(runs) == 1)
    else:
        _print(outcomes)
    if table is not None and any(outcome.result for outcome in outcomes):
        from fit.output.terminal.check import write_table

        write_table(table, outcomes)
    raise typer.Exit(exit_status(outcomes))


@cache
def _budget(path: Path) -> Budget:
    """The budget as read, once a process: what is drawn from it is kept with it."""
    from fit.budget import read_budget

    return read_budget(path)


def check_run(path: Path, budget: Path | None = None) -> Verdict:
    """Read, measure and check one run; check.json is written when it is a run folder.

    Without the responses that the spans come from: they are as large as the records.
    """
    from dataclasses import replace

    from fit.assessment.branch_conformity import check_run as check
    from fit.budget.run_budget import required_budget
    from fit.output.documents import check_document
    from fit.records.results import write_result
    from fit.records.run import read_run
    from fit.records.run_folder import CHECK_RESULT

    run = read_run(path)
    stated = required_budget(run.metadata, run.path) if budget is None else _budget(budget)
    verdict = check(run, stated)
    verdict = replace(verdict, measured=replace(verdict.measured, responses=()))
    if path.is_dir():
        write_result(path, CHECK_RESULT, check_document(verdict))
    return verdict


def exit_status(outcomes: list[Outcome[Verdict]]) -> int:
    """1 where a run does not conform, else 2 where one could not be read, else 3, else 0."""
    statuses = {
        2 if outcome.result is None else EXIT_STATUS[outcome.result.decision]
        for outcome in outcomes
    }
    return next((status for status in (1, 2, 3) if status in statuses), 0)


def _checked(
    runs: tuple[Path, ...], budget: Path | None, jobs: int | None, quiet: bool
) -> list[Outcome[Verdict]]:
    """Outcomes in the order of the runs, with a progress bar where there are several."""
    from functools import partial

    from fit.statistics.batch import map_runs

    work = map_runs(partial(check_run, budget=budget), runs, jobs)
    if len(runs) == 1:
        with working(f"checking {runs[0]}"):
            return list(work)
    from rich.console import Console
    from rich.progress import track

    console = Console(stderr=True)
    outcomes = track(
        work,
        description="checking",
        total=len(runs),
        console=console,
        transient=True,
        disable=quiet or is_quiet() or not console.is_terminal,
    )
    order = {path: i for i, path in enumerate(runs)}
    return sorted(outcomes, key=lambda outcome: order[outcome.path])


def _print_json(outcomes: list[Outcome[Verdict]], alone: bool) -> None:
    from fit.output.documents import check_document
    from fit.records.results import to_json

    if alone:
        if (verdict := outcomes[0].result) is not None:
            typer.echo(to_json(check_document(verdict)))
        return
    runs = [
        {"run": str(outcome.path)}
        | ({"error": outcome.error} if outcome.result is None else check_document(outcome.result))
        for outcome in outcomes
    ]
    typer.echo(to_json({"schema": "heatrun.checks/1", "runs": runs}))


def _print(outcomes: list[Outcome[Verdict]]) -> None:
    from rich.console import Console

    from fit.output.terminal.check import print_runs, print_verdict

    console = Console(highlight=False)
    if len(outcomes) == 1:
        if (verdict := outcomes[0].result) is not None:
            print_verdict(console, verdict)
        return
    print_runs(console, outcomes)
