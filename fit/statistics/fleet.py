"""The same work on Dask's distributed scheduler: many computers, or one whose workers may die.

Imported only where an address is given. A run that a lost worker had is given to another; what
comes back is one small outcome a run.
"""

from __future__ import annotations

from asyncio import CancelledError
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from fit.errors import HeatrunError
from fit.statistics.batch import Outcome

if TYPE_CHECKING:
    from distributed import Client, Future

Result = TypeVar("Result")

RETRIES = 2
"""A task that raises is repeated so often; a run that cannot be read raises nothing."""
AHEAD = 4
"""Runs given out for each worker's thread: none waits for the next, few are lost to Ctrl-C."""
MOST_WHY = 120
"""Characters of a failure that are shown, so that it stays one line."""
ANSWER_S = 10.0
"""A scheduler that is there answers within a second; that much again for a network that is busy."""


def map_on_fleet(
    attempt: Callable[[Path], Outcome[Result]], paths: Sequence[Path], address: str
) -> Iterator[Outcome[Result]]:
    """Do the work on every run by the workers of a scheduler, outcomes as they finish.

    Runs, budget and heatrun itself are to be found by every worker under the same paths.

    Args:
        attempt: function of one run's path, which raises nothing of its own; picklable.
        paths: runs.
        address: of the scheduler, tcp://host:port.

    Returns:
        One outcome for each run.

    Raises:
        HeatrunError: distributed is not installed, or the scheduler does not answer any more.
    """
    client = _connected(address)
    try:
        yield from _outcomes(client, attempt, [path.absolute() for path in paths], paths)
    finally:
        client.close(timeout=ANSWER_S)


def _connected(address: str) -> Client:
    try:
        from distributed import Client
    except ImportError:
        raise HeatrunError(
            "--scheduler: needs Dask's distributed scheduler; install heatrun[fleet]"
        ) from None
    try:
        return Client(address, timeout=ANSWER_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError, TypeError) as error:
        why = " ".join(str(error).split()) or type(error).__name__
        raise HeatrunError(
            f"--scheduler {address}: does not answer ({why}); start one with 'dask scheduler'"
        ) from None


def _outcomes(
    client: Client,
    attempt: Callable[[Path], Outcome[Result]],
    absolute: Sequence[Path],
    paths: Sequence[Path],
) -> Iterator[Outcome[Result]]:
    from distributed import as_completed

    given_out: dict[Future, Path] = {}
    upcoming = iter(zip(absolute, paths, strict=True))
    finished = as_completed(loop=client.loop)

    def give_out() -> None:
        for where, path in upcoming:
            # Each run is work of its own: what was done before is not looked up by its name.
            future = client.submit(attempt, where, pure=False, retries=RETRIES)
            given_out[future] = path
            finished.add(future)
            if len(given_out) >= AHEAD * max(1, sum(client.nthreads().values())):
                return

    suspects: list[Path] = []
    give_out()
    while given_out:
        future = next(finished)
        outcome: Outcome[Result] | Exception = _outcome_of(future)
        path = given_out.pop(future)
        if isinstance(outcome, Exception):
            suspects.append(path)
        else:
            yield replace(outcome, path=path)
        give_out()
    # A worker that dies takes what waits for it along, and that is blamed too: each is repeated
    # alone, so that the one at fault is identified and the others are completed.
    for path in suspects:
        outcome = _outcome_of(client.submit(attempt, path.absolute(), pure=False))
        if isinstance(outcome, Exception):
            yield Outcome(path, None, f"{path}: {_failure(outcome)}")
        else:
            yield replace(outcome, path=path)


def _failure(error: Exception) -> str:
    """What to say of a run that no worker has done."""
    from distributed import KilledWorker

    if isinstance(error, KilledWorker):
        return "the worker that read it died"
    why = " ".join(str(error).split())[:MOST_WHY] or "without a word"
    return (
        f"its worker failed ({type(error).__name__}: {why}); "
        "all workers need the same heatrun and the same files"
    )


def _outcome_of(future: Future) -> Outcome[Result] | Exception:
    """What came of a run, or what a worker failed with."""
    try:
        found: Outcome[Result] = future.result()
    except CancelledError:
        raise HeatrunError(
            "--scheduler: the scheduler was lost; what had ended is kept, --resume goes on"
        ) from None
    except Exception as error:
        return error
    return found
