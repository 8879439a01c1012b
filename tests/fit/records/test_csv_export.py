"""Tables for other programs: what a spreadsheet would run is made harmless, numbers stay."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from fit.records.csv_export import write_csv


def written(cell, tmp_path):
    file = tmp_path / "table.csv"
    write_csv(file, ["cell"], [{"cell": cell}])
    with file.open(newline="", encoding="utf-8") as stream:
        return next(csv.DictReader(stream))["cell"]


@pytest.mark.parametrize("cell", ["=1+1", "+cmd", "-2+3", "@SUM(A1)", "\t=1", Path("=a/run")])
def test_formula_is_written_as_text(tmp_path, cell):
    assert written(cell, tmp_path) == f"'{cell}"


@pytest.mark.parametrize("cell", ["-1.5", "+2e-3", "run-1", "a=b", -0.25, Path("runs/one")])
def test_number_and_other_text_stay_as_they_are(tmp_path, cell):
    assert written(cell, tmp_path) == str(cell)
