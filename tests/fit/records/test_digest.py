"""Digests of records: alike for what is alike, else not."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from fit.records.digest import record_digest
from fit.records.run_folder import INPUTS


def make_run(folder: Path, readings: str = "t_s,tab_degC\n0,20\n", document: str = "{}") -> Path:
    folder.mkdir()
    (folder / "readings.csv").write_text(readings)
    (folder / "run.json").write_text(document)
    return folder


def test_what_is_recorded_alike_has_one_digest_wherever_it_lies(tmp_path: Path) -> None:
    one, other = make_run(tmp_path / "a"), make_run(tmp_path / "b")
    assert record_digest(one) == record_digest(other) != ""


@pytest.mark.parametrize("name", ["readings.csv", "run.json", "events.jsonl"])
def test_anything_that_a_result_is_made_from_changes_it(tmp_path: Path, name: str) -> None:
    run = make_run(tmp_path / "a")
    before = record_digest(run)
    with (run / name).open("a") as stream:
        stream.write(" ")
    assert record_digest(run) != before


def test_a_kind_of_file_that_a_run_does_not_have_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = make_run(tmp_path / "a")
    before = record_digest(run)
    monkeypatch.setattr("fit.records.digest.INPUTS", (*INPUTS, "later.csv"))
    assert record_digest(run) == before


def test_a_result_does_not_change_it(tmp_path: Path) -> None:
    run = make_run(tmp_path / "a")
    before = record_digest(run)
    (run / "check.json").write_text("{}")
    assert record_digest(run) == before


def test_what_cannot_be_read_has_none_and_nobody_waits_for_a_pipe(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert record_digest(tmp_path / "pipe") == record_digest(tmp_path / "nowhere") == ""
