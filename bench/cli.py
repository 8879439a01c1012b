"""The `heatrun` command: where it starts, and every error as one line.

Imports next to nothing: Ctrl-C while the rest is being loaded gives one line, too.
"""

from __future__ import annotations

import os
import sys

from fit.output.one_line import complain

THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
"""Our matrices are small: on them the linear algebra's threads only wait for each other, a fit
takes several times as long, and a logger beside it loses its core."""

PLUGINS = "PYDANTIC_DISABLE_PLUGINS"
"""None is used here, and to look for one takes longer than to check a budget."""


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
        os.environ.setdefault(PLUGINS, "__all__")
        from bench.application import run

        status = run(arguments)
    except KeyboardInterrupt:
        status = complain("stopped", 2)
    sys.exit(status)
