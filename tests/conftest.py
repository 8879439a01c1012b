"""For all tests."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import settings

from bench.cli import THREADS
from tests.support.schemas import hold_to_schema

# As the command does, and before anything imports numpy.
for name in THREADS:
    os.environ.setdefault(name, "1")


# A machine that is busy is no failure: no test judges by the clock.
settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")


@pytest.fixture(autouse=True, scope="session")
def documents_keep_their_schemas() -> Iterator[None]:
    """Whatever a test has heatrun write or print as JSON is held to its schema on the way."""
    from fit.records import results

    def checked(value: object, indent: int | None = None) -> str:
        text = to_json(value, indent)
        hold_to_schema(json.loads(text))
        return text

    to_json = results.to_json
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(results, "to_json", checked)
        yield


@pytest.fixture
def no_watchdog_left(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Every watchdog that a test starts has gone a little later; one that has not fails it."""
    from bench.safety import watchdog_client as watching_over

    started: list[subprocess.Popen[bytes]] = []

    def start_child(*arguments: Any, **options: Any) -> subprocess.Popen[bytes]:
        started.append(child := start(*arguments, **options))
        return child

    start = watching_over.start_child
    monkeypatch.setattr(watching_over, "start_child", start_child)
    yield
    left = 0
    for child in started:
        try:
            child.wait(5.0)
        except subprocess.TimeoutExpired:
            left += 1
            child.kill()
            child.wait()
    assert not left, f"{left} watchdogs left behind"
