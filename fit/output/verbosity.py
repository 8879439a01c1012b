"""Messages of a command beside its result: `heatrun --quiet` fewer of them, `--verbose` more.

They go to standard error. Results and errors are not affected.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from contextvars import ContextVar
from typing import TypeVar

Item = TypeVar("Item")

QUIET, PLAIN, VERBOSE = -1, 0, 1
_level: ContextVar[int] = ContextVar("level", default=PLAIN)


def tell(level: int) -> None:
    """Set how much is written beside the results from here on.

    Args:
        level: `QUIET`, `PLAIN` or `VERBOSE`.
    """
    _level.set(level)


def is_quiet() -> bool:
    """Whether remarks and progress are to be left out."""
    return _level.get() <= QUIET


def is_verbose() -> bool:
    """Whether durations and the origin of errors are shown."""
    return _level.get() >= VERBOSE


def remark(text: str) -> None:
    """Write one line beside the result, unless quiet.

    Args:
        text: of the line.
    """
    if not is_quiet():
        print(text, file=sys.stderr)


@contextmanager
def working(what: str) -> Iterator[None]:
    """Show on a terminal that work is in progress; verbose also writes how long it took.

    Args:
        what: is being done.

    Returns:
        Context manager around the work.
    """
    started_s = time.monotonic()
    shown = sys.stderr.isatty() and not is_quiet()
    with _spinner(what) if shown else nullcontext():
        yield
    if is_verbose():
        remark(f"{what}: {time.monotonic() - started_s:.1f} s")


def tracked(items: Iterator[Item], what: str, total: int, *, quiet: bool = False) -> Iterator[Item]:
    """Items as they come, with a progress bar on a terminal.

    Args:
        items: finished one after the other.
        what: is being done.
        total: how many there will be.
        quiet: no bar, whatever the user's wish.

    Returns:
        The items.
    """
    from rich.console import Console

    console = Console(stderr=True)
    if quiet or is_quiet() or not console.is_terminal:
        return items
    from rich.progress import track

    return iter(track(items, what, total, console=console, transient=True))


@contextmanager
def _spinner(what: str) -> Iterator[None]:
    from rich.console import Console

    with Console(stderr=True).status(what):
        yield
