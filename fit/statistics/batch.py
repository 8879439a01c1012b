"""Many runs on all cores: a run that fails, or a worker that dies, does not stop the others."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Generic, TypeVar

from fit.errors import HeatrunError, RecordError
from fit.records.run_folder import READINGS

if TYPE_CHECKING:
    from concurrent.futures import Future

Result = TypeVar("Result")
THREADS = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
)


@dataclass(frozen=True)
class Outcome(Generic[Result]):
    """Outcome of one run: a result, or one line with the reason why there is none."""

    path: Path
    result: Result | None
    error: str | None = None


def find_runs(paths: Sequence[Path]) -> tuple[Path, ...]:
    """Run folders and readings files named by the user, folders of runs opened up.

    Args:
        paths: run folders, readings CSVs, or folders that hold run folders at any depth.

    Returns:
        Every run once, in the order named; those of a folder by name.

    Raises:
        RecordError: a path does not exist, or a folder holds no run.
    """
    found: dict[Path, None] = {}
    for path in paths:
        if not path.exists():
            raise RecordError(
                path, "", "no such file or folder", "name a run folder or a readings CSV"
            )
        if path.is_file() or (path / READINGS).is_file():
            found.setdefault(path)
            continue
        inside = sorted(readings.parent for readings in path.rglob(READINGS))
        if not inside:
            raise RecordError(
                path, "", f"holds no run (no {READINGS})", "name a run folder or a folder of runs"
            )
        found.update(dict.fromkeys(inside))
    return tuple(found)


def map_runs(
    work: Callable[[Path], Result],
    paths: Sequence[Path],
    jobs: int | None = None,
    scheduler: str | None = None,
) -> Iterator[Outcome[Result]]:
    """Do the same work on every run, outcomes in the order they finish.

    Args:
        work: function of one run's path; picklable, and so is its result.
        paths: runs.
        jobs: processes at once; all the cores when None.
        scheduler: address of a Dask scheduler whose workers are used in place of processes here.

    Returns:
        One outcome for each run: a result, or the line that says why there is none.

    Raises:
        HeatrunError: the scheduler does not answer.
    """
    if scheduler is not None:
        from fit.statistics.fleet import map_on_fleet

        yield from map_on_fleet(partial(attempt, work), paths, scheduler)
        return
    jobs = min(jobs or os.cpu_count() or 1, len(paths))
    if jobs <= 1:
        yield from (attempt(work, path) for path in paths)
        return
    pending = list(paths)
    while pending:
        done: set[Path] = set()
        for outcome in _in_pool(work, pending, jobs):
            done.add(outcome.path)
            yield outcome
        left = [path for path in pending if path not in done]
        if not left:
            return
        # A worker that dies breaks its whole pool. Each run that was being processed is repeated
        # alone, so that the one at fault is identified and the others are completed.
        suspects, pending = left[: 2 * jobs], left[2 * jobs :]
        for path in suspects:
            alone = list(_in_pool(work, [path], 1))
            yield from alone or [Outcome(path, None, f"{path}: the process that read it died")]


def _in_pool(
    work: Callable[[Path], Result], paths: Sequence[Path], jobs: int
) -> Iterator[Outcome[Result]]:
    """Outcomes in the order they finish; ends early, without an error, when a worker dies."""
    # A run alone needs no pool, which takes a while to load.
    from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
    from concurrent.futures.process import BrokenProcessPool
    from multiprocessing import get_context

    # spawn: the same on every system, and safe beside the threads of a progress bar.
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn"), initializer=_settle_in) as pool:
        waiting: set[Future[Outcome[Result]]] = set()
        upcoming = iter(paths)
        try:
            while True:
                # Few at a time: a worker that dies leaves few to repeat, Ctrl-C few to cancel.
                for path in upcoming:
                    waiting.add(pool.submit(attempt, work, path))
                    if len(waiting) >= 2 * jobs:
                        break
                if not waiting:
                    return
                finished, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                for future in finished:
                    yield future.result()
        except BrokenProcessPool:
            return
        finally:
            pool.shutdown(wait=False, cancel_futures=True)


def attempt(work: Callable[[Path], Result], path: Path) -> Outcome[Result]:
    """Do the work on one run, whatever comes of it.

    Args:
        work: function of the run's path.
        path: of the run.

    Returns:
        Its outcome; an error is one line.
    """
    try:
        return Outcome(path, work(path))
    except HeatrunError as error:
        return Outcome(path, None, str(error))
    except Exception as error:
        return Outcome(
            path, None, f"{path}: {type(error).__name__}: {' '.join(str(error).split())}"
        )


def _settle_in() -> None:
    """In a worker, before numpy is loaded."""
    # One thread each, for every core has its worker; Ctrl-C is handled by the parent alone.
    os.environ.update(dict.fromkeys(THREADS, "1"))
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    Thread(target=_leave_with_parent, daemon=True).start()


def _leave_with_parent() -> None:
    """End this worker when the program that started it has gone: nobody takes its results."""
    from multiprocessing import parent_process
    from multiprocessing.connection import wait as wait_for_any

    parent = parent_process()
    if parent is not None:
        wait_for_any([parent.sentinel])
        os._exit(1)
