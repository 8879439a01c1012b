"""Docstrings say what goes in and what comes out: every argument in `Args`, and `Returns`."""

from __future__ import annotations

import importlib
import inspect
import re
from collections.abc import Callable, Iterator
from inspect import isclass, isfunction
from pathlib import Path

import fit

ROOT = Path(__file__).resolve().parent.parent
ROOMS = (
    "budget/stages",
    "compact_model",
    "measurement",
    "network",
    "output",
    "rating",
    "signals",
    "statistics",
)
SECTION = re.compile(r"^(Args|Returns|Raises):$", re.MULTILINE)
FLOOR = 0.95  # of the public functions and methods with arguments; may only be raised


Function = Callable[..., object]


def public_functions() -> Iterator[tuple[str, Function]]:
    """Functions and methods with arguments of `fit.__all__` and of the modules of `ROOMS`."""
    modules = {
        ".".join(file.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        for room in ROOMS
        for file in (ROOT / "fit" / room).rglob("*.py")
    }
    things = [getattr(fit, name) for name in fit.__all__]
    for module in map(importlib.import_module, sorted(modules)):
        things += [
            thing
            for name, thing in vars(module).items()
            if not name.startswith("_") and getattr(thing, "__module__", None) == module.__name__
        ]
    for thing in dict.fromkeys(one for one in things if isfunction(one) or isclass(one)):
        place = f"{thing.__module__}.{thing.__qualname__}"
        if isfunction(thing):
            yield place, thing
            continue
        for name in vars(thing):
            if not name.startswith("_") and isfunction(getattr(thing, name)):
                yield f"{place}.{name}", getattr(thing, name)


def arguments(function: Function) -> list[str]:
    """What a caller gives to a function."""
    return [name for name in inspect.signature(function).parameters if name not in ("self", "cls")]


def lacks(function: Function) -> str:
    """What a function's docstring does not say, in a few words; nothing where it says all."""
    parts = SECTION.split(inspect.getdoc(function) or "")
    sections = dict(zip(parts[1::2], parts[2::2], strict=True))
    said = set(re.findall(r"^    \**(\w+):", sections.get("Args", ""), re.MULTILINE))
    if missing := [name for name in arguments(function) if name not in said]:
        return f"no Args of {', '.join(missing)}"
    returned = inspect.signature(function).return_annotation
    return "" if returned == "None" or "Returns" in sections else f"no Returns of {returned}"


def test_public_functions_say_what_goes_in_and_what_comes_out() -> None:
    found = {place: lacks(one) for place, one in public_functions() if arguments(one)}
    silent = [f"{place}: {what}" for place, what in found.items() if what]
    assert len(found) > 100
    assert len(silent) <= (1 - FLOOR) * len(found), "\n".join(silent)


def spoken(scale: float) -> float:
    """Twice as much.

    Args:
        scale: of what.

    Returns:
        It.
    """
    return 2 * scale


def half_spoken(scale: float) -> float:
    """Half as much.

    Args:
        scale: of what.
    """
    return scale / 2


def silent(scale: float) -> float:
    """As much."""
    return scale


def test_what_a_docstring_leaves_out_is_named() -> None:
    assert lacks(spoken) == ""
    assert lacks(half_spoken) == "no Returns of float"
    assert lacks(silent) == "no Args of scale"
