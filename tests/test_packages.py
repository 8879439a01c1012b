"""What is installed is the whole program: every folder of it is a package that is named."""

from __future__ import annotations

import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def test_every_folder_of_the_program_is_installed() -> None:
    named = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"]
    folders = [
        ".".join(file.parent.relative_to(ROOT).parts)
        for floor in ("bench", "fit")
        for file in (ROOT / floor).rglob("__init__.py")
    ]
    assert sorted(named) == sorted([*folders, "heatrun_data"])
