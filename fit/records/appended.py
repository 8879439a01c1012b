"""A line at the end of a file that several programs write: each in one go, none between another's.

Light to import: the watchdog uses it.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import BinaryIO

# To the end whatever another process wrote meanwhile (POSIX); read too, for a torn last line.
FLAGS = os.O_RDWR | os.O_APPEND | getattr(os, "O_BINARY", 0)


def append_line(path: Path, line: bytes) -> None:
    """Append a line to a file that is there, and have it on the disk; a torn last line ends first.

    Args:
        path: the file.
        line: without its end.

    Raises:
        OSError: there is no such file, or the disk does not take the line.
    """
    descriptor = os.open(path, FLAGS)
    try:
        size = os.lseek(descriptor, 0, os.SEEK_END)
        if size:
            os.lseek(descriptor, size - 1, os.SEEK_SET)
            if os.read(descriptor, 1) != b"\n":
                line = b"\n" + line
        write_whole(descriptor, line + b"\n")
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def write_whole(descriptor: int, data: bytes) -> None:
    """One write, which of a file opened to append nobody else's comes between. Raises OSError."""
    if os.write(descriptor, data) < len(data):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def take_off_torn_line(stream: BinaryIO) -> tuple[bytes, bytes]:
    """Cut a line without its end off and stand at the file's end: (last whole line, the cut)."""
    stream.seek(0)
    last, torn, whole = b"", b"", 0
    for number, line in enumerate(stream):
        if not line.endswith(b"\n"):
            torn = line
            break
        whole += len(line)
        last = line if number else b""
    stream.truncate(whole)
    stream.seek(whole)
    return last, torn
