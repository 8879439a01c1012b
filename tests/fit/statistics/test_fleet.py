"""The same outcomes by Dask's workers: one that dies loses nothing, small rows come back."""

from __future__ import annotations

import os
import pickle
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from fit.commands.batch_check import Batch, Checked, check_many
from fit.errors import HeatrunError, RecordError
from fit.statistics.batch import Outcome, map_runs
from fit.statistics.fleet import map_on_fleet
from tests.fit.commands.test_check import budget, runs, write_run  # noqa: F401

if TYPE_CHECKING:
    from distributed import LocalCluster


@pytest.fixture(scope="module")
def cluster() -> Iterator[LocalCluster]:
    """Two workers, processes of their own; a run that has killed two is given up."""
    distributed = pytest.importorskip("distributed", reason="the extra 'fleet' is not installed")
    import dask

    with (
        dask.config.set({"distributed.scheduler.allowed-failures": 1}),
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
        ) as started,
    ):
        yield started


def work(path: Path) -> int:
    """Each name tells what is to happen; "once" dies the first time."""
    if "bad" in path.name:
        raise RecordError(path, "line 2", "is not a number", "write a number")
    if "once" in path.name and not (mark := path.with_suffix(".mark")).exists():
        mark.touch()
        os._exit(9)
    if "deadly" in path.name:
        os._exit(9)
    time.sleep(0.02)
    return len(path.name)


def names(count: int) -> list[Path]:
    return [Path("r" * n) for n in range(1, count + 1)]


def test_every_run_has_its_outcome_under_the_name_it_was_given(cluster: LocalCluster) -> None:
    found = {
        o.path: o.result for o in map_runs(work, names(20), scheduler=cluster.scheduler_address)
    }
    assert found == {path: len(path.name) for path in names(20)}


def test_a_bad_run_is_one_line_and_stops_nobody(cluster: LocalCluster) -> None:
    paths = [*names(3), Path("bad")]
    found = {o.path.name: o for o in map_runs(work, paths, scheduler=cluster.scheduler_address)}
    assert "is not a number; write a number" in (found["bad"].error or "")
    assert [found[path.name].error for path in names(3)] == [None] * 3


def test_a_worker_that_dies_loses_nothing(cluster: LocalCluster, tmp_path: Path) -> None:
    paths = [*names(10), tmp_path / "once", *(Path("s" * n) for n in range(1, 10))]
    found = list(map_runs(work, paths, scheduler=cluster.scheduler_address))
    assert sorted(o.path for o in found) == sorted(paths)
    assert [o.error for o in found if o.error] == []


def test_a_run_that_kills_every_worker_is_named(cluster: LocalCluster) -> None:
    paths = [*names(3), Path("deadly")]
    found = {o.path.name: o for o in map_runs(work, paths, scheduler=cluster.scheduler_address)}
    assert "the worker that read it died" in (found["deadly"].error or "")
    assert [found[path.name].result for path in names(3)] == [1, 2, 3]


def of_another_version(_: Path) -> Outcome[int]:
    raise ModuleNotFoundError("No module named 'fit.later'")


def test_a_worker_that_lacks_something_is_not_called_dead(cluster: LocalCluster) -> None:
    (outcome,) = map_on_fleet(of_another_version, names(1), cluster.scheduler_address)
    assert "its worker failed (ModuleNotFoundError: No module named 'fit.later')" in (
        outcome.error or ""
    )


def test_what_comes_back_of_a_run_is_small(
    cluster: LocalCluster,
    runs: Path,  # noqa: F811
    budget: Path,  # noqa: F811
    tmp_path: Path,
) -> None:
    table = tmp_path / "table.csv"
    batch = Batch(budget=budget, scheduler=cluster.scheduler_address, table=table)
    outcomes: list[Outcome[Checked]] = check_many([runs / "sound", runs / "poor_pad"], batch)
    assert [o.result.decision for o in outcomes if o.result] == ["conforming", "non-conforming"]
    assert max(len(pickle.dumps(outcome)) for outcome in outcomes) < 6000
    assert len(table.read_text().splitlines()) == 11


def test_no_scheduler_there_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed", reason="the extra 'fleet' is not installed")
    monkeypatch.setattr("fit.statistics.fleet.ANSWER_S", 0.5)
    with pytest.raises(HeatrunError, match="does not answer"):
        list(map_runs(work, names(2), scheduler="tcp://127.0.0.1:9"))


def test_without_the_extra_it_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(HeatrunError, match=r"install heatrun\[fleet\]"):
        list(map_runs(work, names(2), scheduler="tcp://127.0.0.1:8786"))
