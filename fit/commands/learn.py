"""`heatrun learn`: what measured runs teach of a budget's inputs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fit.commands.options import AsJson, Jobs
from fit.output.one_line import say
from fit.output.verbosity import working

if TYPE_CHECKING:
    from fit.learning.history import Earlier
    from fit.learning.learn import Taught
    from fit.learning.lesson import Lesson

TEACHES_ONCE = "a run teaches once; --force lets it teach again"


def command(
    run: Annotated[
        list[Path],
        typer.Argument(metavar="RUN", help="Run folders or readings CSVs; or folders of runs."),
    ],
    *,
    budget: Annotated[
        Path, typer.Option(metavar="BUDGET", help="The budget.toml that the runs are of.")
    ],
    out: Annotated[
        Path, typer.Option(metavar="FILE", help="The new file for what is learnt (JSON).")
    ],
    learned: Annotated[
        Path | None,
        typer.Option(
            metavar="EARLIER",
            help="Continue from what other runs have taught, of this design or an earlier one; "
            "it stays as it is.",
            show_default=False,
        ),
    ] = None,
    one_unit: Annotated[
        bool,
        typer.Option("--one-unit", help="All runs are of the same unit, not each of another."),
    ] = False,
    force: Annotated[
        bool,
        typer.Option(
            "--force",
            help="Runs in doubt teach all the same, and those that have taught teach again.",
        ),
    ] = False,
    png: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Also draw every input before and after into DIR.",
            show_default=False,
        ),
    ] = None,
    as_json: AsJson = False,
    jobs: Jobs = None,
) -> None:
    """What measured runs teach of the budget's inputs.

    Plating, pads, finish: what the runs say of each, for the next unit and the next design
    (`heatrun budget NEW --learned FILE`). A run that check finds at fault, or that the budget
    would hardly ever show, does not teach, and none teaches twice.
    """
    from fit.budget import read_budget
    from fit.errors import HeatrunError
    from fit.learning.file import learned_document, read_learned
    from fit.learning.learn import learn
    from fit.records.csv_export import refuse_existing
    from fit.records.results import put_whole, to_json
    from fit.statistics.batch import find_runs

    refuse_existing(out)
    stated = read_budget(budget)
    earlier = None if learned is None else read_learned(learned, stated)
    runs = find_runs(run)
    if not force:
        runs = _not_yet_taught(runs, earlier)
    lessons, failed = _lessons(runs, budget, jobs)
    for error in failed:
        say(error)
    if not lessons:
        raise HeatrunError("nothing is learnt: no run could be measured")
    with working("learning"):
        taught = learn(stated, lessons, earlier=earlier, one_unit=one_unit, force=force)
    document = learned_document(taught)
    put_whole(out, (to_json(document, indent=1) + "\n").encode())
    drawn = [] if png is None else [_draw(taught, png)]
    if as_json:
        typer.echo(to_json(document))
    else:
        from rich.console import Console

        from fit.output.terminal.learned import print_taught

        console = Console(highlight=False)
        print_taught(console, taught)
        for path in (out, *drawn):
            console.print(str(path), markup=False)
    if failed:
        raise typer.Exit(2)


def lesson(path: Path, budget: Path) -> Lesson:
    """Measure and check one run, and take what it says."""
    from dataclasses import replace

    from fit.assessment.branch_conformity import check_run
    from fit.budget import read_budget
    from fit.learning.identity import identity_of
    from fit.learning.lesson import lesson_of
    from fit.records.run import read_run

    found = lesson_of(identity_of(path), check_run(read_run(path), read_budget(budget)))
    return replace(found, path=replace(found.path, slow_share=None))


def _not_yet_taught(runs: tuple[Path, ...], earlier: Earlier | None) -> tuple[Path, ...]:
    """The runs without those that have taught already, each of which is named."""
    from fit.errors import HeatrunError
    from fit.learning.identity import identity_of, repeated

    known = [identity_of(path) for path in runs]
    before = () if earlier is None else earlier.taught_by
    again = repeated(known, before)
    there = "" if earlier is None else f" in {earlier.file}"
    lines = [
        f"{one} is the same run as {first}{there if first in before else ''}"
        for one, first in again.items()
    ]
    left = tuple(path for path, one in zip(runs, known, strict=True) if one not in again)
    if not left:
        raise HeatrunError(f"nothing is learnt: {'; '.join(lines)}; {TEACHES_ONCE}")
    for line in lines:
        say(f"{line}; {TEACHES_ONCE}")
    return left


def _lessons(
    runs: tuple[Path, ...], budget: Path, jobs: int | None
) -> tuple[list[Lesson], list[str]]:
    """The lessons in the order of the runs, and what was wrong with the others."""
    from functools import partial

    from fit.statistics.batch import map_runs

    with working(f"measuring {len(runs)} runs" if len(runs) > 1 else f"measuring {runs[0]}"):
        outcomes = list(map_runs(partial(lesson, budget=budget), runs, jobs))
    outcomes.sort(key=lambda outcome: runs.index(outcome.path))
    lessons = [outcome.result for outcome in outcomes if outcome.result is not None]
    return lessons, [outcome.error for outcome in outcomes if outcome.error is not None]


def _draw(taught: Taught, folder: Path) -> Path:
    from fit.output.figures.learned import learned_figure
    from fit.output.theme import make_png_folder, save_png

    make_png_folder(folder)
    return save_png(learned_figure(taught), folder / "learned.png")
