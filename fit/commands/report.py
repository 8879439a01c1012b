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
    from fit.statistics.comparison import Comparison, MeasuredRun


def command(
    runs: Annotated[
        list[Path],
        typer.Argument(
            metavar="RUN",
            help="Run folder or bare readings CSV. Of two, the later is reported, and the headline "
            "is whether it was mended; of more, the first, and the others stand beside it.",
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
    from fit.output.report.report import REPORT, draw_figures, draw_tables, render
    from fit.output.theme import make_png_folder, save_png
    from fit.records.results import write_result

    run, others = reported_first(runs)
    target = out if out is not None else (run.folder / REPORT if run.folder else None)
    if target is None:
        raise HeatrunError(f"{run.path}: a bare CSV has no folder for its report; name --out FILE")
    if out is not None and out.exists():
        raise HeatrunError(f"{out}: exists already; name a new file")
    if png is not None:
        make_png_folder(png)
    with working(f"reporting {run.path}"):
        material = _material(run, others, budget)
        figures = draw_figures(material)
        written = [write_result(target.parent, target.name, render(material, figures))]
    if pdf:
        from fit.output.report.pdf import print_page

        with working("printing"):
            written.append(print_page(target, target.with_suffix(".pdf")))
    if png is not None:
        figures |= draw_tables(material)
        written += [save_png(figure, png / f"{name}.png") for name, figure in figures.items()]
    if not (quiet or is_quiet()):
        if material.verdict is None:
            remark(f"heatrun: {run.path}: keeps no budget, so nothing is judged: state --budget")
        for path in written:
            typer.echo(path)


def reported_first(runs: list[Path]) -> tuple[Run, list[Run]]:
    """The run to report, and those beside it: of two, the later one and the earlier.

    Where a start is not known, the runs were named in their order.

    Args:
        runs: as named.

    Returns:
        The run to report, and the others.
    """
    from fit.records.run import read_run
    from fit.statistics.comparison import known_start

    first, *others = map(read_run, runs)
    if len(others) != 1:
        return first, others
    starts = known_start(first), known_start(others[0])
    if all(starts) and starts[1] < starts[0]:
        return first, others
    return others[0], [first]


def _material(run: Run, others: list[Run], budget: Path | None) -> Material:
    """Check the reported run and compare it with the others: each is measured once."""
    from fit.assessment.conformity import check
    from fit.budget.run_budget import budget_for
    from fit.errors import NotIdentifiable
    from fit.identification.identify import identify
    from fit.measurement.spans import measure
    from fit.output.report.rating import rate_verdict
    from fit.output.report.report import gather
    from fit.statistics.comparison import as_measured, measure_run

    stated = budget_for(run.metadata, run.path, budget)
    if len(run.sources) > 1 or (stated is not None and not stated.is_chain):
        return _of_branches(run, stated, others)
    try:
        spans = measure(run)
    except NotIdentifiable:
        if stated is not None or others:
            raise
        return gather(run, identify(run))
    measured = [measure_run(other, stated) for other in others]
    comparison = _compared(as_measured(run, spans, stated), measured)
    response = spans.responses[-1]
    if stated is None:
        change = _change(comparison, None, None)
        return gather(run, response, None, comparison, spans=spans, change=change)
    verdict = check(spans, stated)
    earlier = check(measured[0].spans, stated) if len(measured) == 1 else None
    change = _change(comparison, earlier, verdict)
    return gather(run, response, verdict, comparison, rate_verdict(verdict), change=change)


def _compared(run: MeasuredRun, others: list[MeasuredRun]) -> Comparison | None:
    """Of two runs the later held against the earlier, else the others against the first."""
    from fit.statistics.comparison import compare

    if not others:
        return None
    return compare([*others, run] if len(others) == 1 else [run, *others])


def _change(
    comparison: Comparison | None, earlier: Verdict | None, later: Verdict | None
) -> Change | None:
    """Of two runs, whether the later one is mended."""
    from fit.output.change_words import mended

    if comparison is None or len(comparison.runs) != 2:
        return None
    return mended(comparison, earlier, later)


def _of_branches(run: Run, budget: Budget | None, others: list[Run]) -> Material:
    """The same of a run of several sources."""
    from fit.assessment.branch_conformity import check_branches
    from fit.budget.run_budget import branches_budget
    from fit.measurement.branches import measure_branches
    from fit.output.report.report import gather
    from fit.statistics.comparison import as_measured

    budget = branches_budget(run, budget)
    branches = measure_branches(run, budget)
    verdict = check_branches(branches, budget)
    beside = [measure_branches(other, budget) for other in others]
    measured = [
        as_measured(other, one.spans, budget) for other, one in zip(others, beside, strict=True)
    ]
    comparison = _compared(as_measured(run, branches.spans, budget), measured)
    earlier = check_branches(beside[0], budget) if len(beside) == 1 else None
    change = _change(comparison, earlier, verdict)
    return gather(run, None, verdict, comparison, branches=branches, change=change)
