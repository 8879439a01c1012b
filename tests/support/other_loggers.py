"""Another logger's file, and what is read of it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fit.errors import RecordError
from fit.records.imports.convert import Columns, import_file
from fit.records.run import Run, read_run

T_S = (0.0, 1.0, 2.5, 4.0)


TAB = (23.0, 24.5, 25.25, 26.125)


CASE = (22.0, 22.5, 22.75, 23.0)


POWER = (0.0, 4.2, 4.2, 4.2)


PLAIN = "Time,T1,T2,P\n" + "".join(
    f"{t},{a},{b},{p}\n" for t, a, b, p in zip(T_S, TAB, CASE, POWER, strict=True)
)


TWO = "Time,T1,T2,P,Q\n0,23,22,0,0\n1,24,22.5,3,2\n2,25,23,3,0\n"
BY_NAME = {"time": ("Time",), "nodes": {"tab": "T1", "case": "T2"}, "power": "P"}


def brought_in(tmp_path: Path, text: str | bytes, **columns: object) -> Run:
    file = tmp_path / "log.txt"
    file.write_bytes(text.encode() if isinstance(text, str) else text)
    imported = import_file(file, Columns(**(BY_NAME | columns)), tmp_path / "run")  # type: ignore[arg-type]
    return read_run(imported.folder)


def complaint(tmp_path: Path, text: str | bytes, **columns: object) -> str:
    """The one line that says what is wrong; nothing is left behind."""
    with pytest.raises(RecordError) as caught:
        brought_in(tmp_path, text, **columns)
    assert [path.name for path in tmp_path.iterdir()] == ["log.txt"]
    assert "\n" not in str(caught.value)
    return str(caught.value).removeprefix(str(tmp_path / "log.txt"))


def document_of(run: Run) -> dict[str, Any]:
    """run.json as it was written."""
    return dict(json.loads((run.path / "run.json").read_text(encoding="utf-8")))


def same_readings(run: Run) -> None:
    assert run.nodes == ("tab", "case")
    np.testing.assert_allclose(run.t_s, T_S, atol=1e-9)
    np.testing.assert_allclose(run.temperature_degC, np.column_stack([TAB, CASE]), atol=1e-8)
    np.testing.assert_allclose(run.power, POWER)
