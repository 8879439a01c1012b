"""Results beside a run: numbers that JSON has, and never half a file."""

from __future__ import annotations

import errno
import json
import math
from pathlib import Path

import numpy as np
import pytest

from fit.errors import RecordError
from fit.records import writer as run_folder
from fit.records.results import write_result


def test_numbers_that_are_not_finite_become_null(tmp_path: Path) -> None:
    write_result(tmp_path, "fit.json", {"a": math.nan, "b": np.array([1.0, math.inf])})
    assert json.loads((tmp_path / "fit.json").read_text()) == {"a": None, "b": [1.0, None]}


def test_a_result_that_cannot_be_written_leaves_the_old_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_result(tmp_path, "fit.json", {"a": 1})

    def fail(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(run_folder.os, "fsync", fail)
    with pytest.raises(RecordError, match="No space left"):
        write_result(tmp_path, "fit.json", {"a": 2})
    assert [path.name for path in tmp_path.iterdir()] == ["fit.json"]
    assert json.loads((tmp_path / "fit.json").read_text()) == {"a": 1}
