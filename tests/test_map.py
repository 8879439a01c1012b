"""The map in DEVELOPERS.md names every module that there is, and none that there is not."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
ROOMS = ("bench", "fit", "tests/benchmarks")


def named() -> set[str]:
    """Modules as the map writes them; without a folder they lie in that of the one before."""
    found: set[str] = set()
    folder = ""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for span in re.findall(r"`([\w./*]+(?:\.py|/))`", text):
        if "/" in span:
            folder = span.rpartition("/")[0]
        if span.endswith(".py"):
            name = span if "/" in span else f"{folder}/{span}"
            files = ROOT.glob(name) if "*" in name else [ROOT / name]
            found |= {file.relative_to(ROOT).as_posix() for file in files}
    return found


def test_every_module_is_on_the_map() -> None:
    there = {
        file.relative_to(ROOT).as_posix()
        for room in ROOMS
        for file in (ROOT / room).rglob("*.py")
        if file.name != "__init__.py"
    }
    assert sorted(there - named()) == []


def test_the_map_names_no_module_that_is_gone() -> None:
    assert [name for name in sorted(named()) if not (ROOT / name).is_file()] == []
