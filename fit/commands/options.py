"""Options that several commands have, said once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

Table = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="Also write every span of every run to a new CSV file."),
]
RowTable = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE",
        help="Also write every span of every run to a new CSV file, each run's as it ends.",
    ),
]
Resume = Annotated[
    bool,
    typer.Option(
        "--resume",
        help="Go on with the table after an interrupt: runs in it whose record and budget are "
        "what they were are not worked on again.",
    ),
]
Scheduler = Annotated[
    str | None,
    typer.Option(
        metavar="ADDRESS",
        help="Work on the runs by Dask's distributed scheduler, tcp://host:8786, in place of "
        "processes here (heatrun[fleet]).",
        show_default=False,
    ),
]
Jobs = Annotated[
    int | None,
    typer.Option(min=1, help="Runs worked on at once; as many as there are cores if not given."),
]
AIR_degC = (-100, 200)  # no product stands in colder or hotter air
SetValues = Annotated[
    list[str] | None,
    typer.Option(
        "--set",
        metavar="KEY=VALUE",
        help="What was set, such as torque_Nm=0.5, for 'compare --against'; again for more.",
        show_default=False,
    ),
]
AsJson = Annotated[
    bool, typer.Option("--json", help="One JSON object on standard output, nothing else.")
]


def check_air(degC: float | None) -> None:
    """Refuse an --ambient in which no product stands, nan among them. Raises HeatrunError."""
    from fit.errors import HeatrunError

    low, high = AIR_degC
    if degC is not None and not low <= degC <= high:
        raise HeatrunError(f"--ambient: {degC:g} will not do; degC, from {low:g} to {high:g}")
