"""What the command says on standard error: one line, nothing that a terminal would obey."""

from __future__ import annotations

import sys

LONGEST, KEPT = 299, 180


def complain(message: str, status: int) -> int:
    """One line on standard error, whatever the message holds."""
    print(short(f"heatrun: {printable(' '.join(message.split()))}"), file=sys.stderr)
    return status


def short(line: str) -> str:
    """A line that a terminal still shows as one: its middle is left out where it is too long.

    The file and its place stand at the beginning, what would be right at the end.

    >>> len(short("x" * 5000))
    299
    """
    return line if len(line) <= LONGEST else f"{line[:KEPT]} … {line[KEPT + 3 - LONGEST :]}"


def printable(text: str) -> str:
    r"""A text with everything spelt out that a terminal would obey.

    >>> printable("T1\x1b[31m")
    'T1\\x1b[31m'
    """
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)
