"""What passes between rooms are values: those that hold arrays compare and hash by identity."""

from __future__ import annotations

import dataclasses
import importlib
import pkgutil

import fit

LEFT_OUT = ("fit.commands",)  # which hold no values


def values() -> set[type]:
    """Every dataclass of the floor that means something."""
    names = [found.name for found in pkgutil.walk_packages(fit.__path__, "fit.")]
    modules = [importlib.import_module(name) for name in names if not name.startswith(LEFT_OUT)]
    return {
        one
        for module in modules
        for one in vars(module).values()
        if isinstance(one, type)
        and dataclasses.is_dataclass(one)
        and one.__module__ == module.__name__
    }


def test_values_that_hold_arrays_can_be_compared_and_kept_in_a_set() -> None:
    # Equal arrays have no one truth value: a comparison by fields would raise.
    holding = [one for one in values() if "Array" in str([f.type for f in dataclasses.fields(one)])]
    assert len(holding) > 20
    assert [one for one in holding if one.__eq__ is not object.__eq__] == []
    assert [one for one in holding if one.__hash__ is not object.__hash__] == []
