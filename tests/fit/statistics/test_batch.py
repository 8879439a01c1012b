"""Many runs over all cores; a bad one, or a worker that dies, never stops the rest."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from fit.errors import RecordError
from fit.statistics.batch import find_runs, map_runs


def size_of(path: Path) -> int:
    """Work for the workers: each name tells what is to happen."""
    if "bad" in path.name:
        raise RecordError(path, "line 2", "is not a number", "write a number")
    if "odd" in path.name:
        raise ZeroDivisionError("nobody thought\nof this")
    if "deadly" in path.name:
        os._exit(9)
    return len(path.name)


def make_run(folder: Path) -> Path:
    folder.mkdir(parents=True)
    (folder / "readings.csv").write_text("t_s,tab_degC,power_W\n")
    return folder


def test_folder_of_runs_is_opened_up_in_order_of_name(tmp_path):
    later, earlier = make_run(tmp_path / "b"), make_run(tmp_path / "deeper" / "a")
    (tmp_path / "notes").mkdir()
    assert find_runs([tmp_path]) == (later, earlier)


def test_runs_and_bare_files_are_taken_as_named_and_once(tmp_path):
    run, file = make_run(tmp_path / "run"), tmp_path / "bare.csv"
    file.write_text("t_s,tab_degC,power_W\n")
    assert find_runs([file, run, run, file]) == (file, run)


def test_missing_path_is_refused_in_one_line(tmp_path):
    with pytest.raises(RecordError, match="no such file or folder"):
        find_runs([tmp_path / "nowhere"])


def test_folder_without_runs_is_refused_in_one_line(tmp_path):
    with pytest.raises(RecordError, match="holds no run"):
        find_runs([tmp_path])


@pytest.mark.parametrize("jobs", [1, 2])
def test_every_run_has_its_outcome(jobs):
    paths = [Path("r" * n) for n in range(1, 8)]
    outcomes = {o.path: o.result for o in map_runs(size_of, paths, jobs)}
    assert outcomes == {path: len(path.name) for path in paths}


@pytest.mark.parametrize("jobs", [1, 2])
def test_bad_run_is_one_line_and_stops_nobody(jobs):
    paths = [Path("aa"), Path("bad"), Path("odd"), Path("bbbb")]
    outcomes = {o.path.name: o for o in map_runs(size_of, paths, jobs)}
    assert outcomes["aa"].result == 2
    assert outcomes["bbbb"].result == 4
    assert outcomes["bad"].error == "bad: line 2: is not a number; write a number"
    assert outcomes["odd"].error == "odd: ZeroDivisionError: nobody thought of this"


def test_worker_that_dies_is_named_and_the_rest_are_done():
    paths = [*(Path("x" * n) for n in range(1, 6)), Path("deadly"), Path("yy"), Path("zzz")]
    outcomes = {o.path.name: o for o in map_runs(size_of, paths, 2)}
    assert set(outcomes) == {path.name for path in paths}
    assert [name for name, o in outcomes.items() if o.error] == ["deadly"]
    assert "died" in outcomes["deadly"].error
