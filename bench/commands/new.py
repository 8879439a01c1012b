"""`heatrun new DIR`: a budget and a rig to start from."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

STARTERS = ("budget.toml", "rig.toml")


def command(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where to write them.")],
    parts: Annotated[
        int,
        typer.Option(min=1, max=2, help="Parts that make heat: one, or two on one bar."),
    ] = 1,
) -> None:
    """Write a commented budget.toml and rig.toml to start from. Never overwrites.

    As they stand they describe the virtual bench, so that everything can be tried first.
    """
    from bench.virtual.scenarios import SCENARIOS
    from fit.errors import InputError

    if (folder / "__init__.py").exists():
        raise InputError(folder, "", "holds a program, heatrun's own perhaps", "name a new folder")
    targets = [folder / name for name in STARTERS]
    for target in targets:
        if target.exists():
            raise InputError(target, "", "exists and is not overwritten", "name another folder")
    scenario = tuple(SCENARIOS.values())[parts - 1]
    texts = [(scenario / name).read_text(encoding="utf-8") for name in STARTERS]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for target, text in zip(targets, texts, strict=True):
            with target.open("x", encoding="utf-8") as file:
                file.write(text)
    except OSError as error:
        raise InputError(
            folder, "", f"cannot be written ({error.strerror})", "name a folder you may write to"
        ) from None
    print(f"Wrote {targets[0]} and {targets[1]}.")
    print(f"Next: heatrun budget {targets[0]}")
