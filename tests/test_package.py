"""What is installed and shipped: every room, and a README whose links lead somewhere."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[1]
SETTINGS = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def test_every_room_is_installed() -> None:
    rooms = {
        ".".join(file.parent.relative_to(ROOT).parts)
        for house in ("bench", "fit")
        for file in (ROOT / house).rglob("__init__.py")
    }
    assert {"heatrun_data", *rooms} == set(SETTINGS["tool"]["setuptools"]["packages"])


def test_readme_links_lead_into_the_package_or_out_of_the_clone() -> None:
    shipped = ("https://", "#", "fit/docs/", "LICENSE", "DEVELOPERS.md")
    links = re.findall(r"\]\(([^)\s]+)\)", (ROOT / "README.md").read_text(encoding="utf-8"))
    assert [link for link in links if not link.startswith(shipped)] == []


def test_what_the_documentation_needs_is_package_data() -> None:
    patterns = SETTINGS["tool"]["setuptools"]["package-data"]["*"]
    docs = ROOT / "fit" / "docs"
    left = [
        file.name
        for file in docs.iterdir()
        if file.is_file() and file.suffix != ".py" and f"*{file.suffix}" not in patterns
    ]
    assert left == []
