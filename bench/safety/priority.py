"""Precedence over the computer's other programs, so that a busy one still scans in time."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator

AHEAD = -10
BEHIND = 10


@contextlib.contextmanager
def ahead_of_others() -> Iterator[None]:
    """Run before other programs while this lasts, threads and processes begun in it too.

    Only where the system permits it (on Linux root, or a user with a `nice` limit); else, and where
    there are no such priorities, nothing changes.
    """
    before = _priority()
    if before is not None:
        _set(min(before, AHEAD))
    try:
        yield
    finally:
        if before is not None:
            _set(before)


def step_behind() -> None:
    """Let others run first from now on."""
    _set(BEHIND)


def _priority() -> int | None:
    return os.getpriority(os.PRIO_PROCESS, 0) if hasattr(os, "getpriority") else None


def _set(priority: int) -> None:
    if hasattr(os, "setpriority"):
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, 0, priority)
