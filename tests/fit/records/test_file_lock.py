"""A run folder is made whole or not at all, and written by one program at a time."""

from __future__ import annotations

import errno
import os
from datetime import UTC, datetime
from pathlib import Path

import pytest

from fit.errors import RecordError
from fit.records.metadata import run_document
from fit.records.writer import RunWriter


def create(folder: Path) -> RunWriter:
    return RunWriter.create(folder, run_document("made", ["tab"], datetime.now(UTC)), ["power_W"])


def test_a_run_that_is_being_written_is_not_resumed(tmp_path: Path) -> None:
    with create(tmp_path / "run") as writer:
        writer.append_scan(0.0, {"tab_degC": 23.0})
        before = (tmp_path / "run" / "readings.csv").read_bytes()
        with pytest.raises(RecordError, match="being written by another program"):
            RunWriter.resume(tmp_path / "run")
        assert (tmp_path / "run" / "readings.csv").read_bytes() == before
    RunWriter.resume(tmp_path / "run").close()


@pytest.mark.parametrize("left", [b"", b"t_s,ta", b"t_s,tab_degC,power_W"])
def test_a_record_without_a_whole_header_is_refused_and_kept(tmp_path: Path, left: bytes) -> None:
    create(tmp_path / "run").close()
    readings = tmp_path / "run" / "readings.csv"
    readings.write_bytes(left)
    with pytest.raises(RecordError, match="line 1: is no whole header"):
        RunWriter.resume(tmp_path / "run")
    assert readings.read_bytes() == left


def test_a_disk_full_at_the_start_leaves_no_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fsync(descriptor: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", fsync)
    with pytest.raises(RecordError, match="No space left"):
        create(tmp_path / "run")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("below", ["run", "runs/run"])
def test_a_folder_inside_a_file_is_told_so(tmp_path: Path, below: str) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(RecordError, match="cannot be created in a file"):
        create(tmp_path / "file" / below)
