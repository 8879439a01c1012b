"""`heatrun rate`: what the measured product may do."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fit.commands.options import AIR_degC, AsJson, check_air
from fit.output.verbosity import working

if TYPE_CHECKING:
    from fit.budget.model import Budget
    from fit.rating.power_profile import Profile
    from fit.records.run import Run


class Material(StrEnum):
    """Of the surface that is touched."""

    metal = "metal"
    glass = "glass"
    plastic = "plastic"


def command(
    run: Annotated[Path, typer.Argument(metavar="RUN", help="A run folder or a readings CSV.")],
    *,
    budget: Annotated[
        Path | None,
        typer.Option(
            "--budget",
            metavar="BUDGET",
            help="The budget.toml with design and limits; the one kept in the run if not given.",
            show_default=False,
        ),
    ] = None,
    ambient: Annotated[
        float | None,
        typer.Option(
            min=AIR_degC[0],
            max=AIR_degC[1],
            help="Worst ambient in degC; the budget's ambient_max_degC if not given.",
        ),
    ] = None,
    profile: Annotated[
        Path | None,
        typer.Option(
            metavar="CSV",
            help="Power over time, columns t_s and power_W (of several sources power_<source>_W "
            "each); each power holds until the next time.",
        ),
    ] = None,
    repeat: Annotated[
        bool, typer.Option("--repeat", help="Run the profile over and over, until it has settled.")
    ] = False,
    material: Annotated[Material, typer.Option(help="Of the case, for touching.")] = Material.metal,
    touch_limits: Annotated[
        Path | None,
        typer.Option(
            metavar="TOML",
            help="A table of touch limits, and the ambient they are judged at, instead of "
            "heatrun's own.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Allowable power, junction and touch temperature.

    At the worst ambient, for steady power, pulses and profiles. Stages nobody measured are
    added from the budget and marked. The case-to-air part is scaled to the temperatures in
    question. Touch is judged at 25 degC ambient, or that of --touch-limits. A rating is no
    approval: local codes and licensed practice have the last word.
    """
    from fit.budget import read_budget
    from fit.budget.run_budget import required_budget
    from fit.errors import NotIdentifiable
    from fit.measurement.spans import measure
    from fit.output.terminal.rating import not_rated
    from fit.rating.power_profile import read_profile
    from fit.rating.rating import rate
    from fit.rating.touch_limits import read_touch_limits
    from fit.records.run import read_run

    if repeat and profile is None:
        raise typer.BadParameter("--repeat needs a --profile")
    check_air(ambient)  # nan is neither below nor above the option's bounds
    if budget is not None:
        read_budget(budget)  # what is wrong with it is told before a long record is read
    table = read_touch_limits(touch_limits)
    recorded = read_run(run)
    stated = required_budget(recorded.metadata, run, budget)
    several = len(stated.sources) > 1
    names = tuple(source.name for source in stated.sources) if several else ()
    load = None if profile is None else read_profile(profile, repeat, names)
    if recorded.power_unit != "W":
        raise NotIdentifiable(
            f"{run}: power is recorded in {recorded.power_unit}; a rating needs watts"
        )
    if not stated.is_chain or len(recorded.sources) > 1:
        _rate_branches(recorded, stated, (ambient, table.ambient_degC), load, as_json)
        return
    with working(f"rating {run}"):
        spans = measure(recorded)
        rating = rate(
            spans,
            stated,
            table,
            ambient_degC=ambient,
            profile=load,
            material=material.value,
        )
    if why_not := not_rated(rating, spans):
        raise NotIdentifiable(f"{run}: {why_not}")
    if as_json:
        from fit.output.terminal.rating import rate_document
        from fit.records.results import to_json

        typer.echo(to_json(rate_document(rating)))
    else:
        from rich.console import Console

        from fit.output.terminal.rating import print_rating

        print_rating(Console(highlight=False), rating)


def _rate_branches(
    recorded: Run,
    budget: Budget,
    ambient: tuple[float | None, float],
    load: Profile | None,
    as_json: bool,
) -> None:
    """Rate a product of several parts; ambient: the worst, and where touching is judged [degC]."""
    from fit.measurement.branches import measure_branches
    from fit.output.terminal.branch_rating import branch_rate_document, print_branch_rating
    from fit.rating.branches import rate_branches

    with working(f"rating {recorded.path}"):
        rating = rate_branches(measure_branches(recorded, budget), budget, *ambient, load)
    if as_json:
        from fit.records.results import to_json

        typer.echo(to_json(branch_rate_document(rating)))
    else:
        from rich.console import Console

        print_branch_rating(Console(highlight=False), rating)
