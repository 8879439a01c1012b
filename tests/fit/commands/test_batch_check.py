"""Many runs checked into a table: rows as they end, gone on with after any end of the program."""

from __future__ import annotations

import csv
import os
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pytest

from tests.fit.commands.test_check import budget, heatrun_check, runs, write_run  # noqa: F401

COUNT = 7


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Run folders enough that an interrupt finds some done and some not."""
    folder = tmp_path_factory.mktemp("many")
    first = write_run(folder / "unit_0")
    for i in range(1, COUNT):
        shutil.copytree(first, folder / f"unit_{i}")
    return folder


def rows_of(table: Path) -> dict[str, int]:
    """How many rows each run has."""
    with table.open(newline="", encoding="utf-8") as stream:
        return Counter(Path(row["run"]).name for row in csv.DictReader(stream))


def start(many: Path, budget: Path, table: Path) -> subprocess.Popen[str]:  # noqa: F811
    words = ["check", many, "--budget", budget, "--table", table, "--jobs", "2"]
    return subprocess.Popen(
        [sys.executable, "-m", "bench", *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def until_some_are_in(table: Path, process: subprocess.Popen[str]) -> None:
    while process.poll() is None:
        if table.exists() and len(rows_of(table)) >= 2:
            return
        time.sleep(0.02)
    pytest.fail("it ended before it was stopped")


def workers_of(pid: int) -> list[int]:
    children = Path(f"/proc/{pid}/task/{pid}/children")
    return [int(child) for child in children.read_text().split()] if children.exists() else []


def is_running(pid: int) -> bool:
    status = Path(f"/proc/{pid}/stat")
    return status.exists() and status.read_text().rpartition(")")[2].split()[0] != "Z"


@pytest.mark.slow
@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGKILL], ids=["Ctrl-C", "kill -9"])
def test_nothing_is_lost_or_doubled_by_an_interrupt(
    many: Path,
    budget: Path,  # noqa: F811
    tmp_path: Path,
    sign: signal.Signals,
) -> None:
    table = tmp_path / "table.csv"
    process = start(many, budget, table)
    until_some_are_in(table, process)
    workers = workers_of(process.pid)
    os.kill(process.pid, sign)
    _, said = process.communicate(timeout=120)
    done = rows_of(table)
    assert 2 <= len(done) < COUNT
    if sign == signal.SIGINT:
        assert f"the runs that have ended are in {table}: --resume goes on" in said
    while any(map(is_running, workers)):  # a hang here is what the suite's own limit is for
        time.sleep(0.05)
    before = table.read_bytes()
    went_on = heatrun_check(many, "--budget", budget, "--table", table, "--resume", "--jobs", 1)
    assert went_on.exit_code == 0, went_on.output
    assert f"{COUNT} runs: {COUNT} conforming" in went_on.stdout
    assert rows_of(table) == {f"unit_{i}": 5 for i in range(COUNT)}
    assert table.read_bytes().startswith(before)


@pytest.fixture
def table(runs: Path, budget: Path, tmp_path: Path) -> Path:  # noqa: F811
    """Of a sound run, one with a poor pad, and one that cannot be read."""
    shutil.copytree(runs, tmp_path / "runs")
    shutil.copy(budget, tmp_path / "budget.toml")
    path = tmp_path / "table.csv"
    heatrun_check(*words(path))
    return path


def words(table: Path) -> list[object]:
    beside = table.parent
    return [beside / "runs", "--budget", beside / "budget.toml", "--table", table, "--jobs", 1]


def written_again(table: Path) -> set[str]:
    """The runs that going on with the table worked on, by their results."""
    results = {path: path.stat().st_mtime_ns for path in table.parent.glob("runs/*/check.json")}
    heatrun_check(*words(table), "--resume")
    return {path.parent.name for path, at in results.items() if path.stat().st_mtime_ns != at}


def test_a_run_that_could_not_be_read_is_tried_again_and_stands_once(table: Path) -> None:
    assert written_again(table) == set()
    assert rows_of(table) == {"sound": 5, "poor_pad": 5, "rubbish": 1}


def test_a_record_that_changed_is_checked_again(table: Path) -> None:
    with (table.parent / "runs" / "sound" / "events.jsonl").open("a") as stream:
        stream.write('{"t_s": 1.0, "event": "operator", "text": "looked at"}\n')
    assert written_again(table) == {"sound"}
    assert rows_of(table) == {"sound": 5, "poor_pad": 5, "rubbish": 1}


def test_a_budget_that_changed_has_every_run_checked_again(table: Path) -> None:
    with (table.parent / "budget.toml").open("a") as stream:
        stream.write("limit_K_per_W = 9.0\n")
    assert written_again(table) == {"sound", "poor_pad"}
    assert rows_of(table) == {"sound": 5, "poor_pad": 5, "rubbish": 1}


def test_rows_of_other_runs_stay(table: Path) -> None:
    shutil.move(table.parent / "runs" / "sound", table.parent / "elsewhere")
    heatrun_check(*words(table), "--resume")
    assert rows_of(table) == {"sound": 5, "poor_pad": 5, "rubbish": 1}


def test_what_was_kept_is_counted_with_the_rest(table: Path) -> None:
    done = heatrun_check(*words(table), "--resume")
    assert "3 runs: 1 non-conforming, 1 not read, 1 conforming" in done.stdout
    assert done.exit_code == 1


@pytest.mark.parametrize(
    ("more", "reason"),
    [
        (["--resume"], "name it, --table FILE"),
        (["--resume", "--json", "--table", "t.csv"], "one of them"),
        (["--table", "t.parquet"], "a table that grows is a CSV"),
    ],
)
def test_options_that_do_not_go_together_are_said(
    runs: Path,  # noqa: F811
    more: list[str],
    reason: str,
) -> None:
    done = heatrun_check(runs, *more)
    assert done.exit_code == 2
    assert reason in " ".join(done.stderr.replace("│", " ").split())
