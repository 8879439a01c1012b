"""`heatrun report`: one self-contained HTML file in the run folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fit.output.verbosity import is_quiet, remark, working

if TYPE_CHECKING:
    from fit.assessment.conformity import Verdict
    from fit.budget.model import Budget
    from fit.output.change_words import Change
    from fit.output.report.report import Material
    from fit.records.run import Run
    from fit.statistics.comparison import Comparison


def command(
    runs: Annotated[
        list[Path],
        typer.Argument(
            metavar="RUN",
            help="Run folder or bare readings CSV. Of several, the first is reported and the "
            "others stand beside it; of two, the headline is whether it was mended.",
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
        if material.verdict is None:
            remark(f"heatrun: {runs[0]}: keeps no budget, so nothing is judged: state --budget")
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
    from fit.statistics.comparison import as_measured, compare, measure_run

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
    measured = [measure_run(read_run(path), stated) for path in runs[1:]]
    comparison = compare([as_measured(run, spans, stated), *measured]) if measured else None
    response = spans.responses[-1]
    if stated is None:
        change = _change(comparison, None, None)
        return gather(run, response, None, comparison, spans=spans, change=change)
    verdict = check(spans, stated)
    other = check(measured[0].spans, stated) if len(measured) == 1 else None
    change = _change(comparison, verdict, other)
    return gather(run, response, verdict, comparison, rate_verdict(verdict), change=change)


def _change(
    comparison: Comparison | None, verdict: Verdict | None, other: Verdict | None
) -> Change | None:
    """Of two runs, whether the later one is mended; the first named is the earlier if none says."""
    from fit.output.change_words import mended
    from fit.statistics.comparison import compare

    if comparison is None or len(comparison.runs) != 2:
        return None
    first, second = comparison.runs
    if first.started and second.started and second.started < first.started:
        return mended(compare([second, first]), other, verdict)
    return mended(comparison, verdict, other)


def _of_branches(run: Run, budget: Budget | None, others: list[Path]) -> Material:
    """The same of a run of several sources."""
    from fit.assessment.branch_conformity import check_branches
    from fit.budget.run_budget import branches_budget
    from fit.measurement.branches import measure_branches
    from fit.output.report.report import gather
    from fit.records.run import read_run
    from fit.statistics.comparison import as_measured, compare, measure_run

    budget = branches_budget(run, budget)
    branches = measure_branches(run, budget)
    verdict = check_branches(branches, budget)
    comparison = change = None
    if others:
        measured = [measure_run(read_run(path), budget) for path in others]
        comparison = compare([as_measured(run, branches.spans, budget), *measured])
    if len(others) == 1:
        later = check_branches(measure_branches(read_run(others[0]), budget), budget)
        change = _change(comparison, verdict, later)
    return gather(run, None, verdict, comparison, branches=branches, change=change)
