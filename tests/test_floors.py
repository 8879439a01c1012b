"""Imports run one way: every module stands above what it imports. `python -m tests.test_floors`."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
FLOORS = (
    ("fit.errors", "fit.network", "fit.tabular", "fit.notation"),
    ("fit.toml_file",),
    ("fit.records",),
    ("fit.signals", "fit.budget"),
    ("fit.identification",),
    ("fit.measurement", "fit.compact_model"),
    ("fit.assessment", "fit.statistics", "fit.planning"),
    ("fit.rating", "fit.learning"),
    ("fit",),
    ("fit.output",),
    ("fit.commands", "bench.messages", "bench.clock", "bench.status"),
    ("bench.instruments",),
    ("bench.safety", "bench.rig", "bench.virtual"),
    ("bench.control", "bench.discovery"),
    ("bench.acquisition",),
    ("bench.monitor", "bench.demo"),
    ("bench.commands",),
    ("bench.application",),
    ("bench.cli",),
    ("bench.__main__",),
)
"""Lowest first; rooms of one floor do not import each other."""
LEVEL = {room: level for level, rooms in enumerate(FLOORS) for room in rooms}


def room_of(module: str) -> str:
    """The room a module lies in."""
    two = ".".join(module.split(".")[:2])
    return two if two in LEVEL else module.split(".", maxsplit=1)[0]


def imports() -> Iterator[tuple[str, str]]:
    """Every import of one module of ours by another, those for type checking left out."""
    for file in sorted([*ROOT.glob("fit/**/*.py"), *ROOT.glob("bench/**/*.py")]):
        module = ".".join(file.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        tree = ast.parse(file.read_text(encoding="utf-8"))
        typing_only = {
            id(inner)
            for node in ast.walk(tree)
            if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test)
            for inner in ast.walk(node)
        }
        for node in ast.walk(tree):
            if not isinstance(node, ast.ImportFrom) or id(node) in typing_only:
                continue
            if (node.module or "").split(".")[0] in ("fit", "bench"):
                yield module, node.module or ""


def upward() -> list[str]:
    """Imports from a room to another that does not lie below it."""
    return [
        f"{one} -> {other}"
        for one, other in imports()
        if room_of(one) != room_of(other) and LEVEL[room_of(one)] <= LEVEL[room_of(other)]
    ]


def test_every_import_goes_to_a_floor_below() -> None:
    assert upward() == []


def test_the_tree_is_read() -> None:
    assert ("fit.assessment.conformity", "fit.measurement.spans") in set(imports())


if __name__ == "__main__":
    for level, rooms in enumerate(FLOORS, start=1):
        print(f"floor {level:2}: {', '.join(rooms)}")
    print(f"{len(list(imports()))} imports, {len(upward())} of them upward")
