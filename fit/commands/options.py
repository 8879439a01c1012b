"""Options that several commands have, said once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

Table = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="Also write every span of every run to a new CSV file."),
]
Jobs = Annotated[
    int | None,
    typer.Option(min=1, help="Runs worked on at once; as many as there are cores if not given."),
]
AsJson = Annotated[
    bool, typer.Option("--json", help="One JSON object on standard output, nothing else.")
]
