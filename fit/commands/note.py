"""`heatrun note RUN TEXT`: what was seen at the bench, kept with the run."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def command(
    run: Annotated[Path, typer.Argument(metavar="RUN", help="Run folder, growing or finished.")],
    text: Annotated[str, typer.Argument(help="What is to be remembered, in quotes.")],
    photo: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="JPEG, PNG, WebP or GIF: copied into the run folder."),
    ] = None,
) -> None:
    """Keep a note with a run, while it is logged or after.

    It becomes an event with its time; the report shows it, with its photo. What it
    states as name=number (torque_Nm=0.5), 'heatrun compare --against' can use.
    """
    from fit.output.verbosity import remark
    from fit.records.notes import add_note

    note = add_note(run, text, photo)
    remark(f"noted at {note.t_s:.0f} s" + (f", {note.photo}" if note.photo else ""))
