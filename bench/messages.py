"""What the command says on standard error: one line, nothing that a terminal would obey."""

from __future__ import annotations

import sys


def complain(message: str, status: int) -> int:
    """One line on standard error, whatever the message holds."""
    print(f"heatrun: {printable(' '.join(message.split()))}", file=sys.stderr)
    return status


def printable(text: str) -> str:
    r"""A text with everything spelt out that a terminal would obey.

    >>> printable("T1\x1b[31m")
    'T1\\x1b[31m'
    """
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)
