"""Processes beside the logger, out of reach of Ctrl-C and of what lies in the user's folder."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path


def start_child(module: str, *, quiet: bool = False) -> subprocess.Popen[bytes]:
    """Run a module of ours with the same Python, joined by pipes.

    In a session of its own (on Windows without the terminal's console, whose closing ends every
    program in it): Ctrl-C in the terminal, or its closing, is the logger's business. A `bench`
    folder or a `serial.py` in the user's folder is not mistaken for ours.

    Args:
        module: such as "bench.safety.watchdog_process".
        quiet: throw its standard error away.
    """
    home = str(Path(__file__).resolve().parent.parent)
    paths = [home, *filter(None, os.environ.get("PYTHONPATH", "").split(os.pathsep))]
    return subprocess.Popen(
        [sys.executable, "-P", "-m", module],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL if quiet else None,
        start_new_session=True,
        creationflags=_apart(),
        env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
    )


def _apart() -> int:
    """Flags by which Windows keeps a process out of our console; 0 elsewhere."""
    names = ("CREATE_NEW_PROCESS_GROUP", "CREATE_NO_WINDOW")
    return sum(getattr(subprocess, name, 0) for name in names)
