"""TOML files the user writes: every complaint about what one says turned into one line."""

from __future__ import annotations

import difflib
from collections.abc import Collection
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pydantic import ValidationError
    from pydantic_core import ErrorDetails

LONGEST_SHOWN = 40

REMEDIES = {
    "too_short": "at least one is needed",
    "string_too_short": "it must not be empty",
    "model_type": "write it as a table",
    "dict_type": "write it as a table",
    "tuple_type": "write it as a list: [ … ], or blocks in double brackets",
    "float_type": "a number, without quotes",
    "int_type": "a whole number, without quotes",
    "string_type": "text, in quotes",
    "bool_type": "true or false",
    "string_pattern_mismatch": "lower-case letters, digits and _, a letter first",
}
"""What would be right, where pydantic's own words would puzzle."""


def first_error(problem: ValidationError) -> ErrorDetails:
    """The error to report: a misspelt key before the one that it leaves missing."""
    errors = problem.errors()
    return next((error for error in errors if error["type"] == "extra_forbidden"), errors[0])


FIRST_LINE = "'schema = 1' at the top of the file"  # the form of the file, this edition's


def first_complaint(
    problem: ValidationError, keys: Collection[str], needed: str
) -> tuple[str, str, str]:
    """Key, what is wrong and what would be right, of the first thing pydantic complains of.

    Args:
        problem: what pydantic raised.
        keys: keys that would be right, for a misspelt one.
        needed: why a missing key is needed.
    """
    first = first_error(problem)
    key = ": ".join(f"{step + 1}" if isinstance(step, int) else str(step) for step in first["loc"])
    if first["type"] == "missing":
        return key, "is missing", FIRST_LINE if key == "schema" else needed
    if first["type"] == "extra_forbidden":
        return key, "unknown key", nearest(str(first["loc"][-1]), keys)
    wanted = REMEDIES.get(first["type"], first["msg"].removeprefix("Value error, "))
    return key, f"{shown(first['input'])} will not do", wanted[0].lower() + wanted[1:]


def shown(value: object) -> str:
    """A value much as it stands in the file, or what it is where it has parts."""
    if isinstance(value, list | dict):
        kind = "list" if isinstance(value, list) else "table"
        return f"a {kind}" if value else f"an empty {kind}"
    if not isinstance(value, str | int | float):
        return f"a {type(value).__name__}"
    text = str(value).lower() if isinstance(value, bool) else repr(value)
    return text if len(text) <= LONGEST_SHOWN else f"{text[:LONGEST_SHOWN]}…"


def nearest(word: str, words: Collection[str]) -> str:
    """What may have been meant: the nearest word, or all of them."""
    near = difflib.get_close_matches(word, words, n=1)
    return f"did you mean '{near[0]}'?" if near else "one of " + ", ".join(sorted(words))
