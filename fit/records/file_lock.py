"""A record is written by one program at a time."""

from __future__ import annotations

import sys
from typing import BinaryIO

BEYOND = 2**40  # where nothing is written: Windows keeps others from reading what is locked


def claim(stream: BinaryIO) -> bool:
    """Claim an open file for this program until it is closed, or the program dies.

    Returns:
        False when another program has claimed it. True too where the file system
        does not support locks.
    """
    try:
        if sys.platform == "win32":
            import msvcrt

            at = stream.tell()
            stream.seek(BEYOND)
            try:
                msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
            finally:
                stream.seek(at)
        else:
            import fcntl

            fcntl.flock(stream.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        return False
    except (OSError, ImportError):
        return True
    return True
