"""The virtual bench and `heatrun log`, each in a process of its own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.bench_rigs import OtherProcess


@pytest.fixture
def other(tmp_path: Path) -> Iterator[OtherProcess]:
    with OtherProcess(tmp_path) as made:
        yield made
