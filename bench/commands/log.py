"""`heatrun log RIG`: the heat run."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fit.commands.options import SetValues

if TYPE_CHECKING:
    from bench.rig.schema import Rig
    from fit.budget.model import Budget


def command(
    rig: Annotated[Path, typer.Argument(help="rig.toml; 'heatrun new DIR' writes one")],
    *,
    budget: Annotated[
        Path | None, typer.Option(help="budget.toml, to decide every span while it runs.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(help="Run folder to create; runs/<UTC start>_<label> if not given."),
    ] = None,
    label: Annotated[
        str, typer.Option(help="Your words for this run; the rig's title if none.")
    ] = "",
    resume: Annotated[
        Path | None, typer.Option(help="Go on with this run folder, whose program died.")
    ] = None,
    note: Annotated[
        list[str] | None,
        typer.Option(metavar="TEXT", help="A note to keep with the run; may be given again."),
    ] = None,
    unit: Annotated[
        str | None, typer.Option(metavar="NAME", help="Serial number of the unit on the bench.")
    ] = None,
    values: SetValues = None,
    rehearse: Annotated[
        bool,
        typer.Option("--rehearse", help="Ask every instrument once; switch and write nothing."),
    ] = False,
) -> None:
    """Log a heat run: soak without power, heat, cool. Prints the run folder.

    Ctrl-C switches the power off and ends the run in order (status 0). A guard limit, a lost
    instrument or a full disk switches it off and ends with status 4; what was logged is kept. So
    does a sensor with a limit that is blind while it is heated (open, stuck, repeating, swapped,
    jumped); of one without a limit it is said loudly, and the run goes on.
    --rehearse shows one scan, what the guard would do, how long the run will take by the
    budget, and what is missing. Parts get hot and a supply can start a fire: never leave it
    alone without a hardware cut-out.
    """
    import contextlib

    from bench.acquisition.rehearse import duration, expected_of
    from bench.acquisition.rehearse import rehearse as rehearsed
    from bench.acquisition.run_loop import heat_run
    from bench.clock import RealClock
    from bench.monitor.terminal import open_view
    from bench.rig.schema import read_rig
    from fit.errors import RecordError, RigError
    from fit.output.one_line import complain, printable
    from fit.output.verbosity import is_quiet, remark
    from fit.records.labels import stated_labels

    plan = read_rig(rig)
    if plan.sequence.heat_until == "decided" and budget is None:
        raise RigError(
            rig, "sequence.heat_until", '"decided" needs a budget', "give --budget budget.toml"
        )
    for name, folder in (("--out", out), ("--resume", resume)):
        if folder is not None and folder.exists() != (name == "--resume"):
            problem = "exists already" if name == "--out" else "no such folder"
            raise RecordError(folder, "", problem, f"{name} takes another")
    labels = stated_labels(unit, values)
    for name, given in (("--out", out), ("--unit", unit), ("--set", values)):
        if given is not None and resume is not None:
            raise RecordError(resume, name, "means nothing with --resume", "leave it out")
    stated, apart = None, ""
    if budget is not None:
        from fit.budget import read_budget

        stated = read_budget(budget)
        apart = _fit_together(plan, stated)
    if rehearse:
        print("\n".join(map(printable, rehearsed(plan, RealClock(), stated))))
    if apart:
        remark(apart)
    if rehearse:
        return
    with contextlib.closing(open_view(quiet=is_quiet())) as view:
        result = heat_run(
            plan,
            clock=RealClock(),
            folder=out,
            budget=stated,
            view=view,
            label=label,
            resume=resume,
            announce=duration(plan, expected_of(stated, None)),
            notes=tuple(note or ()),
            labels=labels,
        )
    # Where standard output is closed (a closed terminal), the outcome stays the same.
    with contextlib.suppress(OSError, ValueError):
        print(result.folder, flush=True)
    if result.exit_status:
        raise typer.Exit(complain(result.text, result.exit_status))


def _fit_together(rig: Rig, budget: Budget) -> str:
    """What is to be said before the run and not after hours of it. Raises BudgetError."""
    from bench.rig.source_checks import check_against
    from fit.errors import BudgetError

    check_against(rig, budget)
    strange = [node for node in rig.path_nodes if node not in budget.nodes]
    if len(rig.path_nodes) - len(strange) < 2:
        raise BudgetError(
            budget.path,
            "stage",
            f"{len(rig.path_nodes) - len(strange)} of the rig's nodes "
            f"({', '.join(rig.path_nodes)}) is on "
            f"the path {' - '.join(budget.nodes)}",
            "name at least two nodes alike in the budget and the rig",
        )
    if not strange:
        return ""
    return f"no node of the budget, and so no part of any decision: {', '.join(strange)}"
