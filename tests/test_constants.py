"""A number that somebody chose has its reason beside it.

A constant is an upper-case name of a module whose value holds a number. Its reason is a comment on
its line or the line above, a string below it, or a docstring of the module that names it. The rooms
of `HELD` have none without; in the others there may only be fewer.
"""

from __future__ import annotations

import ast
import re
import tokenize
from collections.abc import Iterator
from io import StringIO
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
HELD = (
    "fit/assessment",
    "fit/budget",
    "fit/compact_model",
    "fit/identification",
    "fit/measurement",
    "fit/network",
    "fit/output",
    "fit/rating",
    "fit/records",
    "fit/signals",
    "fit/statistics",
)
MOST_WITHOUT = 66  # constants of the other rooms; may only be lowered
CONSTANT = re.compile(r"_?[A-Z][A-Z0-9]*(_\w+)?$")  # a unit in lower case may end it: ZERO_degC


def unreasoned(source: str) -> list[str]:
    """Numeric constants of a module that nothing gives a reason for."""
    tree = ast.parse(source)
    comments = {
        token.start[0]: token.line.lstrip().startswith("#")  # whether nothing else is on its line
        for token in tokenize.generate_tokens(StringIO(source).readline)
        if token.type == tokenize.COMMENT
    }
    said = " ".join(
        ast.get_docstring(node) or ""
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
    )
    found = []
    for place, node in enumerate(tree.body):
        names = _assigned(node)
        if not names:
            continue
        below = tree.body[place + 1] if place + 1 < len(tree.body) else None
        lines = range(node.lineno, (node.end_lineno or node.lineno) + 1)
        if comments.keys() & set(lines) or comments.get(node.lineno - 1) or _is_text(below):
            continue
        found += [name for name in names if not re.search(rf"\b{re.escape(name)}\b", said)]
    return found


def without_reason() -> Iterator[str]:
    """Every constant of the program without a reason, as file: name."""
    for floor in ("fit", "bench"):
        for file in sorted((ROOT / floor).rglob("*.py")):
            for name in unreasoned(file.read_text(encoding="utf-8")):
                yield f"{file.relative_to(ROOT).as_posix()}: {name}"


def test_every_number_of_these_rooms_has_its_reason_beside_it() -> None:
    assert [place for place in without_reason() if place.startswith(HELD)] == []


def test_numbers_without_a_reason_become_no_more() -> None:
    others = [place for place in without_reason() if not place.startswith(HELD)]
    assert len(others) <= MOST_WITHOUT, "\n".join(others)


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ("LIMIT = 3", ["LIMIT"]),
        ("LOW, HIGH_degC = 3, (4.0,)", ["LOW", "HIGH_degC"]),
        ("LIMIT: float = 0.5", ["LIMIT"]),
        ("LIMIT = 3  # why", []),
        ("# why\nLIMIT = 3", []),
        ("FIRST = 2  # why\nLIMIT = 3", ["LIMIT"]),
        ('LIMIT = 3\n"""Why."""', []),
        ('"""LIMIT is why."""\nLIMIT = 3', []),
        ('NAME = "three"', []),
        ("limit = 3", []),
    ],
)
def test_a_reason_is_seen_where_it_stands(source: str, found: list[str]) -> None:
    assert unreasoned(source) == found


def _assigned(node: ast.stmt) -> list[str]:
    """Upper-case names that a statement gives a value to which holds a number."""
    if isinstance(node, ast.Assign):
        targets = node.targets
    elif isinstance(node, ast.AnnAssign) and node.value is not None:
        targets = [node.target]
    else:
        return []
    if not _holds_numbers(node.value):
        return []
    inside = [inner for target in targets for inner in ast.walk(target)]
    names = [inner.id for inner in inside if isinstance(inner, ast.Name)]
    return [name for name in names if CONSTANT.match(name)]


def _holds_numbers(value: ast.expr | None) -> bool:
    return any(
        isinstance(inner, ast.Constant) and type(inner.value) in (int, float)
        for inner in (() if value is None else ast.walk(value))
    )


def _is_text(node: ast.stmt | None) -> bool:
    return (
        isinstance(node, ast.Expr)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
    )
