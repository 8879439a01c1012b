"""What a command says on standard error: one line, nothing that a terminal would obey."""

from __future__ import annotations

import sys

# Characters of a line, under the 300 that are promised, and of them before what is left out: the
# file, its place and what is wrong. Ours.
LONGEST, KEPT = 299, 180


def say(message: str) -> None:
    """One line on standard error, whatever the message holds.

    Args:
        message: such as a run's error, of any length.
    """
    print(short(f"heatrun: {printable(' '.join(message.split()))}"), file=sys.stderr)


def complain(message: str, status: int) -> int:
    """The same of what ends a command; the status to end with."""
    say(message)
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
