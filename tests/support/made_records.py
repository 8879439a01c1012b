"""Run folders written for a test."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from fit.records.metadata import run_document
from fit.records.run import Run, read_run
from fit.records.writer import RunWriter

START = datetime(2026, 11, 25, 10, 15, tzinfo=UTC)


def new_writer(folder: Path, *nodes: str) -> RunWriter:
    return RunWriter.create(folder, run_document("pad", nodes, START), ["power_W"])


def written(folder: Path) -> Run:
    """A short run with a power step, and what is read of it."""
    with new_writer(folder, "tab", "case") as writer:
        writer.append_scan(0.0, {"tab_degC": 23.0, "case_degC": 22.5, "power_W": 0.0})
        writer.append_event(0.5, "power_on", by="supply")
        writer.append_scan(1.0, {"tab_degC": 24.0625, "case_degC": None, "power_W": 4.2})
        writer.append_event(1.0, "stop", reason="finished")
    return read_run(folder)
