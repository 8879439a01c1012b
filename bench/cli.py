"""The `heatrun` command: where it starts, and every error as one line.

Imports next to nothing: whoever presses Ctrl-C while the rest is loaded gets one line, too.
"""

from __future__ import annotations

import os
import sys

COMMANDS = {
    "demo": "bench.commands.demo",
    "new": "bench.commands.new",
    "budget": "fit.commands.budget",
    "ports": "bench.commands.ports",
    "listen": "bench.commands.listen",
    "log": "bench.commands.log",
    "watch": "bench.commands.watch",
    "import": "fit.commands.import_file",
    "fit": "fit.commands.fit",
    "check": "fit.commands.check",
    "compare": "fit.commands.compare",
    "rate": "fit.commands.rate",
    "report": "fit.commands.report",
    "netlist": "fit.commands.netlist",
}
"""Command name to the module whose `command` function runs it: a new command is one line here."""

THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
"""Our matrices are small: on them the linear algebra's threads only wait for each other, a fit
takes several times as long, and a logger beside it loses its core."""


def main(arguments: list[str] | None = None) -> None:
    """Run the `heatrun` command and leave with its exit status.

    Args:
        arguments: words after the program's name; the process's own when None.

    Raises:
        SystemExit: always, with the exit status of the contract.
    """
    try:
        for name in THREADS:
            os.environ.setdefault(name, "1")
        from bench.application import run

        status = run(arguments)
    except KeyboardInterrupt:
        status = complain("stopped", 2)
    sys.exit(status)


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
