"""`heatrun report`: one self-contained HTML file in the run folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fit.output.verbosity import is_quiet, working

if TYPE_CHECKING:
    from fit.budget.model import Budget
    from fit.measurement.spans import Spans
    from fit.output.report.report import Material
    from fit.records.run import Run
    from fit.statistics.comparison import Comparison


def command(
    runs: Annotated[
        list[Path],
        typer.Argument(
            metavar="RUN",
            help="Run folder or bare readings CSV. Of several, the first is reported and the "
            "others stand beside it.",
            show_default=False,
        ),
    ],
    *,
    budget: Annotated[
        Path | None,
        typer.Option(
            help="Budget to hold the run against [default: the one logged with it, if any]."
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="HTML file to create [default: report.html in the run folder, rewritten].",
            show_default=False,
        ),
    ] = None,
    pdf: Annotated[
        bool,
        typer.Option("--pdf", help="Print it to PDF too, beside it (needs Chromium or Chrome)."),
    ] = False,
    png: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Write the figures as PNG too; the folder is created."),
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print nothing.")] = False,
) -> None:
    """Write one HTML file: what was decided, why, every figure.

    The file refers to nothing outside itself: it can be mailed, printed to A4, or kept. A bare CSV
    has no folder of its own: say where with --out.
    """
    from fit.errors import HeatrunError
    from fit.output.report.report import REPORT, draw_figures, render
    from fit.output.theme import make_png_folder, save_png
    from fit.records.results import write_result
    from fit.records.run import read_run

    run = read_run(runs[0])
    target = out if out is not None else (run.folder / REPORT if run.folder else None)
    if target is None:
        raise HeatrunError(f"{runs[0]}: a bare CSV has no folder for its report; name --out FILE")
    if out is not None and out.exists():
        raise HeatrunError(f"{out}: exists already; name a new file")
    if png is not None:
        make_png_folder(png)
    with working(f"reporting {runs[0]}"):
        material = _material(runs, budget)
        figures = draw_figures(material)
        written = [write_result(target.parent, target.name, render(material, figures))]
    if pdf:
        from fit.output.report.pdf import print_page

        with working("printing"):
            written.append(print_page(target, target.with_suffix(".pdf")))
    if png is not None:
        written += [save_png(figure, png / f"{name}.png") for name, figure in figures.items()]
    if not (quiet or is_quiet()):
        for path in written:
            typer.echo(path)


def _material(runs: list[Path], budget: Path | None) -> Material:
    """Check the first run and compare it with the others: each is measured once."""
    from fit.assessment.conformity import check
    from fit.budget.run_budget import budget_for
    from fit.errors import NotIdentifiable
    from fit.identification.identify import identify
    from fit.measurement.spans import measure
    from fit.output.report.rating import rate_verdict
    from fit.output.report.report import gather
    from fit.records.run import read_run

    run = read_run(runs[0])
    stated = budget_for(run.metadata, run.path, budget)
    if len(run.sources) > 1 or (stated is not None and not stated.is_chain):
        return _of_branches(run, stated, runs[1:])
    try:
        spans = measure(run)
    except NotIdentifiable:
        if stated is not None or len(runs) > 1:
            raise
        return gather(run, identify(run))
    comparison = _comparison(run, spans, runs[1:]) if len(runs) > 1 else None
    response = spans.responses[-1]
    if stated is None:
        return gather(run, response, None, comparison, spans=spans)
    verdict = check(spans, stated)
    return gather(run, response, verdict, comparison, rate_verdict(verdict))


def _of_branches(run: Run, budget: Budget | None, others: list[Path]) -> Material:
    """The same of a run of several sources."""
    from fit.assessment.branch_conformity import check_branches
    from fit.errors import HeatrunError
    from fit.measurement.branches import measure_branches
    from fit.output.report.report import gather
    from fit.records.run import read_run
    from fit.statistics.comparison import as_measured, compare, measure_run

    if budget is None:
        raise HeatrunError(
            f"{run.path}: records {len(run.sources)} sources, and how their branches meet is not"
            " kept in it; state --budget"
        )
    branches = measure_branches(run, budget)
    comparison = None
    if others:
        measured = [measure_run(read_run(path), budget) for path in others]
        comparison = compare([as_measured(run, branches.spans), *measured])
    verdict = check_branches(branches, budget)
    return gather(run, None, verdict, comparison, branches=branches)


def _comparison(run: Run, spans: Spans, others: list[Path]) -> Comparison:
    from fit.records.run import read_run
    from fit.statistics.comparison import as_measured, compare, measure_run

    return compare([as_measured(run, spans), *(measure_run(read_run(path)) for path in others)])
