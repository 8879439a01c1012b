"""Files read whole: regular ones of a bounded size, so that no pipe or device is waited for."""

from __future__ import annotations

import os
import re
import stat
import tomllib
from pathlib import Path
from typing import Any

from fit.errors import InputError, RecordError

LARGEST_TABLE = 4_000_000_000  # a week at a hundred scans a second, ten nodes [B]
LARGEST_PROFILE = 5_000_000  # a power profile of two hundred thousand rows [B]
LARGEST_TOML = 1_000_000  # written by hand: a large budget has twenty thousand [B]
LARGEST_DOCUMENT = 100_000_000  # run.json, with rig and budget in it, has some ten thousand [B]


def read_plain(
    path: Path,
    most: int,
    *,
    error: type[InputError] = RecordError,
    missing: str = "name a run folder or a readings CSV",
) -> bytes:
    """The bytes of a regular file.

    Args:
        path: the file.
        most: bytes it may have at most [B].
        error: what to raise.
        missing: what would be right where there is no such file.

    Raises:
        InputError: of the class given: there is none, it is something else, too large, or may not
            be read.
    """
    try:
        # Not to wait at a pipe that nobody writes into; of a regular file it changes nothing.
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | _BINARY)
        with open(descriptor, "rb") as stream:
            status = os.fstat(descriptor)
            if not stat.S_ISREG(status.st_mode):
                raise error(path, "", "is no regular file", "name a file, no pipe and no device")
            if status.st_size > most:
                problem = f"has {status.st_size / 1e6:.0f} MB"
                raise error(path, "", problem, f"at most {most / 1e6:.0f} MB are read")
            return stream.read(most)
    except FileNotFoundError:
        raise error(path, "", "no such file or folder", missing) from None
    except IsADirectoryError:
        raise error(path, "", "is a folder", missing) from None
    except (OSError, ValueError) as problem:
        why = getattr(problem, "strerror", None) or problem
        raise error(path, "", f"cannot be read ({why})", "check its permissions") from None


def read_tables(path: Path, error: type[InputError], remedy: str) -> dict[str, Any]:
    """The tables of a TOML file.

    Args:
        path: the file.
        error: what to raise.
        remedy: what would be right where there is no such file.

    Raises:
        InputError: of the class given, on one line.
    """
    data = read_plain(path, LARGEST_TOML, error=error, missing=remedy)
    try:
        text = data.decode("utf-8-sig").replace("\r\n", "\n")
        return tomllib.loads(text)
    except UnicodeDecodeError:
        raise error(path, "", "is not UTF-8 text", "save it as plain UTF-8 text") from None
    except RecursionError:
        raise error(path, "", "is nested too deeply to be one of ours", remedy) from None
    except ValueError as problem:  # no TOML, or a whole number of thousands of digits
        comma = _line_with_decimal_comma(text)
        mend = f"line {comma}: numbers take a point" if comma else "mend the line it names"
        raise error(path, "", f"is not TOML: {problem}", mend) from None


def _line_with_decimal_comma(text: str) -> int | None:
    """Number of the first line that sets a key to 3,5, counted from 1."""
    lines = enumerate(text.split("\n"), 1)
    return next((n for n, line in lines if DECIMAL_COMMA.match(line)), None)


DECIMAL_COMMA = re.compile(r"\s*\w+\s*=\s*[-+]?\d+,\d+\s*(#|$)", re.ASCII)
_BINARY = getattr(os, "O_BINARY", 0)  # on Windows alone, where a text file's line ends change
