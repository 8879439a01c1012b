"""`heatrun fit`: time constants and resistances of one run."""

from __future__ import annotations

from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fit.commands.options import AsJson
from fit.output.verbosity import working

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import Console

    from fit.budget.model import Budget
    from fit.identification.identify import Identification
    from fit.identification.response import Response
    from fit.records.run import Array, Run


class Intervals(StrEnum):
    """How the intervals of the time constants are found."""

    linear = "linear"
    profile = "profile"
    bootstrap = "bootstrap"


def command(
    run: Annotated[Path, typer.Argument(metavar="RUN", help="Run folder or readings CSV.")],
    *,
    reference: Annotated[
        str | None,
        typer.Option(
            metavar="NODE",
            help="Node the rises are taken above; default: ambient, else the last one measured.",
            show_default=False,
        ),
    ] = None,
    order: Annotated[
        int | None,
        typer.Option(
            min=1,
            max=20,
            metavar="N",
            help="So many time constants, whatever the data say; default: as many as they carry.",
            show_default=False,
        ),
    ] = None,
    intervals: Annotated[
        Intervals,
        typer.Option(
            help="linear: from the covariance. profile: by refitting along each time constant. "
            "bootstrap: by refitting to resampled blocks of the residual; slow."
        ),
    ] = Intervals.linear,
    budget: Annotated[
        Path | None,
        typer.Option(
            metavar="BUDGET",
            help="The budget.toml that says how the branches of several sources meet, where the "
            "run does not keep it; without one no network is supposed.",
            show_default=False,
        ),
    ] = None,
    png: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Also draw measured, fit and residuals into DIR, and the spectrum of time "
            "constants with the heat capacity along the path.",
            show_default=False,
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Time constants, each node's resistances, and the network.

    The time constants are shared by all nodes; the network is the hottest node's. Writes
    fit.json into a run folder; never writes anything beside a bare CSV.
    """
    from fit.identification.identify import identify_signals
    from fit.output.documents import fit_document
    from fit.records.results import to_json, write_result
    from fit.records.run import read_run
    from fit.records.run_folder import FIT_RESULT
    from fit.signals.preparation import prepare

    record = read_run(run)
    if len(record.sources) > 1:
        _fit_several(record, budget, (reference, order), as_json)
        return
    with working(f"fitting {run}"):
        identified = identify_signals(prepare(record), reference, order=order, run=record)
    response, intervals_s = identified.response, _intervals(identified, intervals)
    document = fit_document(response, intervals_s, intervals.value)
    if record.folder is not None:
        write_result(record.folder, FIT_RESULT, document)
    drawn = _draw(response, png) if png is not None else []
    if as_json:
        typer.echo(to_json(document))
        return
    from rich.console import Console

    from fit.output.terminal.fit import print_response

    console = Console(highlight=False)
    print_response(console, record, response, intervals_s, intervals.value, asked=order)
    for path in drawn:
        console.print(str(path), markup=False)


def _fit_several(
    run: Run, stated: Path | None, wanted: tuple[str | None, int | None], as_json: bool
) -> None:
    """The same of several sources: on the tree of their budget, else with no network supposed.

    wanted: reference and order, of the fit without a network.
    """
    from fit.budget.run_budget import budget_for
    from fit.records.results import to_json, write_result
    from fit.records.run_folder import FIT_RESULT

    budget = budget_for(run.metadata, run.path, stated)
    with working(f"fitting {run.path}"):
        document, show = _sources_fit(run, *wanted) if budget is None else _tree_fit(run, budget)
    if run.folder is not None:
        write_result(run.folder, FIT_RESULT, document)
    if as_json:
        typer.echo(to_json(document))
        return
    from rich.console import Console

    show(Console(highlight=False))


def _tree_fit(run: Run, budget: Budget) -> tuple[dict[str, object], Callable[[Console], None]]:
    """The document, and what prints the same."""
    from fit.measurement.branches import measure_branches
    from fit.output.branch_documents import branch_fit_document, print_branch_fit

    branches = measure_branches(run, budget)
    return branch_fit_document(branches), partial(print_branch_fit, branches=branches)


def _sources_fit(
    run: Run, reference: str | None, order: int | None
) -> tuple[dict[str, object], Callable[[Console], None]]:
    """The same without a budget."""
    from fit.identification.several_inputs import identify_sources
    from fit.output.sources_document import print_sources_fit, sources_fit_document

    found = identify_sources(run, reference, order)
    return sources_fit_document(found), partial(print_sources_fit, found=found)


def _intervals(identified: Identification, method: Intervals) -> Array:
    """95 % intervals of the time constants (K, 2) [s]."""
    from fit.output.documents import linear_intervals

    if method is Intervals.linear:
        return linear_intervals(identified.response)
    import warnings

    from fit.identification.intervals import bootstrap_intervals, profile_intervals

    find = profile_intervals if method is Intervals.profile else bootstrap_intervals
    # An open end is in the interval itself; lmfit also warns of it at length.
    with working("refitting for intervals"), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return find(identified)


def _draw(response: Response, folder: Path) -> list[Path]:
    """Measured, fit and residuals in linear and in log time, spectrum and cumulative curve."""
    from fit.output.figures import curves_figure, draw_each, fitted_figure, spectrum_figure
    from fit.output.theme import make_png_folder, save_png

    make_png_folder(folder)
    figures = draw_each(
        {
            "fit_linear_time": partial(fitted_figure, response),
            "fit_log_time": partial(curves_figure, response),
            "fit_spectrum": partial(spectrum_figure, response),
        }
    )
    return [save_png(figure, folder / f"{name}.png") for name, figure in figures.items()]
