"""A table that grows: whole after any end, gone on with, nothing lost or doubled."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fit.errors import RecordError
from fit.records.growing_table import ROWS, Group, GrowingTable

COLUMNS = ("run", "value", ROWS)


def always(_name: str, _group: Group) -> bool:
    return True


def go_on(
    file: Path, keep: Callable[[str, Group], bool] = always
) -> tuple[GrowingTable, dict[str, Group]]:
    return GrowingTable.go_on(file, COLUMNS, "run", keep)


def written(file: Path) -> list[tuple[str, str]]:
    with file.open(newline="", encoding="utf-8") as stream:
        return [(row["run"], row["value"]) for row in csv.DictReader(stream)]


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "table.csv"
    with GrowingTable.create(path, COLUMNS) as table:
        table.append([{"run": "a", "value": 1.5}, {"run": "a", "value": 2}])
        table.append([{"run": "b", "value": None}])
    return path


def test_rows_are_on_the_disk_when_they_are_appended(tmp_path: Path) -> None:
    with GrowingTable.create(tmp_path / "table.csv", COLUMNS) as table:
        table.append([{"run": "a", "value": 1.5}])
        assert written(tmp_path / "table.csv") == [("a", "1.5")]


def test_a_table_that_is_whole_is_gone_on_with_as_it_is(file: Path) -> None:
    before = file.stat()
    table, kept = go_on(file)
    with table:
        table.append([{"run": "c", "value": 3}])
    assert {name: len(group) for name, group in kept.items()} == {"a": 2, "b": 1}
    assert file.stat().st_ino == before.st_ino
    assert written(file) == [("a", "1.5"), ("a", "2"), ("b", ""), ("c", "3")]


@given(cut=st.integers(min_value=1, max_value=40))
def test_wherever_it_was_torn_each_run_stands_whole_or_not_at_all(
    cut: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("torn") / "table.csv"
    with GrowingTable.create(path, COLUMNS) as table:
        for run in ("first", "sec,ond\n", "=third"):
            table.append([{"run": run, "value": i} for i in range(2)])
    whole = path.read_bytes()
    path.write_bytes(whole[:-cut])
    table, kept = go_on(path)
    with table:
        for run in ("first", "sec,ond\n", "=third"):
            if run not in kept:
                table.append([{"run": run, "value": i} for i in range(2)])
    assert path.read_bytes() == whole


def test_rows_not_wanted_any_more_are_taken_out(file: Path) -> None:
    table, kept = go_on(file, lambda name, _group: name != "a")
    table.close()
    assert list(kept) == ["b"]
    assert written(file) == [("b", "")]


def test_a_table_of_something_else_is_refused_and_left(tmp_path: Path) -> None:
    other = tmp_path / "other.csv"
    other.write_text("t_s,tab_degC\n0,20\n")
    with pytest.raises(RecordError, match="no table that can be gone on with"):
        go_on(other)
    assert other.read_text() == "t_s,tab_degC\n0,20\n"


def test_two_programs_do_not_write_to_one_table(file: Path) -> None:
    with go_on(file)[0], pytest.raises(RecordError, match="another program is writing to it"):
        go_on(file)


def test_a_missing_table_is_begun(tmp_path: Path) -> None:
    table, kept = go_on(tmp_path / "new.csv")
    table.close()
    assert kept == {}
    assert (tmp_path / "new.csv").read_text() == "run,value,rows\n"


@pytest.mark.parametrize("name", ["=1+1", "'=1+1", "''", "ä", "b\udcff", "-5", "x\ny"])
def test_a_run_of_any_name_is_known_again(file: Path, name: str) -> None:
    with go_on(file)[0] as table:
        table.append([{"run": name, "value": 1}])
    table, kept = go_on(file)
    table.close()
    assert name in kept


def test_a_cell_that_a_spreadsheet_would_run_is_made_harmless(file: Path) -> None:
    with go_on(file)[0] as table:
        table.append([{"run": "@SUM(1)", "value": "=cmd|x"}])
    assert written(file)[-1] == ("'@SUM(1)", "'=cmd|x")


def test_a_folder_that_takes_no_file_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="there is no folder"):
        GrowingTable.create(tmp_path / "nowhere" / "table.csv", COLUMNS)
