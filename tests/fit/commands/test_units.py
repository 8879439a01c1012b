"""`heatrun units` from the command line: what it prints, writes, and leaves with."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner, Result

from fit.commands.units import command
from fit.errors import HeatrunError
from fit.output.unit_rows import COLUMNS, row_from_table, table_rows
from tests.fit.commands.test_check import budget, runs, write_run  # noqa: F401
from tests.support.made_units import made_units

APP = typer.Typer()
APP.command()(command)


def heatrun_units(*words: object) -> Result:
    return CliRunner().invoke(APP, [*map(str, words), "--jobs", "1"])


def test_units_are_told_with_the_yield_first(runs: Path, budget: Path) -> None:  # noqa: F811
    done = heatrun_units(runs, "--budget", budget)
    assert done.exit_code == 2  # one of the runs is rubbish
    assert done.stderr.count("\n") == 1
    assert "rubbish" in done.stderr
    first = done.stdout.splitlines()[0]
    assert first.startswith("2 units: 1 conforming, 1 non-conforming, 0 undecided")
    assert "poor contact at the pad" in " ".join(done.stdout.split())


def test_runs_that_can_all_be_read_leave_with_0(runs: Path, budget: Path) -> None:  # noqa: F811
    assert heatrun_units(runs / "sound", runs / "poor_pad", "--budget", budget).exit_code == 0


def test_json_is_one_object_and_nothing_else(runs: Path, budget: Path) -> None:  # noqa: F811
    document = json.loads(heatrun_units(runs, "--budget", budget, "--json").stdout)
    assert document["schema"] == "heatrun.units/1"
    assert document["units"] == 2
    assert [Path(one["run"]).name for one in document["not_read"]] == ["rubbish"]
    assert Path(document["worst"][0]["run"]).name == "poor_pad"
    assert document["spread_prior"] == {"kind": "half-normal", "relative_scale": 0.1}
    pad = next(span for span in document["spans"] if span["stages"] == ["pad"])
    assert pad["distribution"]["units"] == 2


def test_a_wider_prior_widens_the_interval(runs: Path, budget: Path) -> None:  # noqa: F811
    def width(*more: object) -> float:
        words = (runs / "sound", "--budget", budget, "--json", *more)
        following = json.loads(heatrun_units(*words).stdout)["spans"][0]["distribution"][
            "next_unit"
        ]
        return following["high_K_per_W"] - following["low_K_per_W"]

    assert width("--spread", "0.2") > 1.5 * width()


def test_table_of_units_can_be_gone_on_with(
    runs: Path,  # noqa: F811
    budget: Path,  # noqa: F811
    tmp_path: Path,
) -> None:
    shutil.copytree(runs / "sound", tmp_path / "runs" / "sound")
    words = (tmp_path / "runs", "--budget", budget, "--table", tmp_path / "table.csv")
    heatrun_units(*words)
    shutil.copytree(runs / "poor_pad", tmp_path / "runs" / "poor_pad")
    kept = (tmp_path / "runs" / "sound" / "check.json").stat().st_mtime_ns
    done = heatrun_units(*words, "--resume")
    assert "2 units" in done.stdout
    assert (tmp_path / "runs" / "sound" / "check.json").stat().st_mtime_ns == kept
    with (tmp_path / "table.csv").open(newline="") as stream:
        assert len(list(csv.DictReader(stream))) == 10


def test_figure_is_drawn_and_never_over_another(
    runs: Path,  # noqa: F811
    budget: Path,  # noqa: F811
    tmp_path: Path,
) -> None:
    picture = tmp_path / "units.png"
    heatrun_units(runs / "sound", "--budget", budget, "--plot", picture)
    drawn = picture.read_bytes()
    assert drawn.startswith(b"\x89PNG")
    again = heatrun_units(runs / "sound", "--budget", budget, "--plot", picture)
    assert isinstance(again.exception, HeatrunError)
    assert picture.read_bytes() == drawn


def test_parquet_table_holds_numbers_as_numbers(
    runs: Path,  # noqa: F811
    budget: Path,  # noqa: F811
    tmp_path: Path,
) -> None:
    parquet = pytest.importorskip("pyarrow.parquet", reason="the extra 'fleet' is not installed")
    heatrun_units(runs, "--budget", budget, "--table", tmp_path / "table.parquet")
    table = parquet.read_table(tmp_path / "table.parquet")
    assert table.column_names == list(COLUMNS)
    assert str(table.schema.field("measured_K_per_W").type) == "double"
    assert str(table.schema.field("resolved").type) == "bool"
    assert table.num_rows == 11


def test_parquet_without_its_library_is_one_line(
    runs: Path,  # noqa: F811
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    monkeypatch.setitem(__import__("sys").modules, "pyarrow.parquet", None)
    done = heatrun_units(runs, "--table", tmp_path / "table.parquet")
    assert "install heatrun[fleet], or name a .csv file" in str(done.exception)
    assert list(tmp_path.iterdir()) == []


def test_no_run_that_can_be_read_is_bad_input(runs: Path, budget: Path) -> None:  # noqa: F811
    done = heatrun_units(runs / "rubbish", "--budget", budget)
    assert isinstance(done.exception, HeatrunError)
    assert done.stdout == ""


def test_a_row_comes_back_from_the_table_as_it_went_in() -> None:
    row = made_units(1)[0]
    lines = [
        {name: "" if line.get(name) is None else str(line[name]) for name in COLUMNS}
        for line in table_rows(row)
    ]
    assert row_from_table(lines) == row
