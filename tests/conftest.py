"""For all tests."""

from __future__ import annotations

import os

from bench.cli import THREADS

# As the command does, and before anything imports numpy.
for name in THREADS:
    os.environ.setdefault(name, "1")
