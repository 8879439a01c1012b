"""Examples in docstrings say what comes out."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
WITH_EXAMPLES = sorted(
    ".".join(file.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    for room in ("fit", "bench")
    for file in (ROOT / room).rglob("*.py")
    if ">>> " in file.read_text(encoding="utf-8")
)


@pytest.mark.parametrize("module", WITH_EXAMPLES)
def test_examples_of_a_module_are_true(module: str) -> None:
    failed, tried = doctest.testmod(importlib.import_module(module))
    assert tried > 0
    assert failed == 0
