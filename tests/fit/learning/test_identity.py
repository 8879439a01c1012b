"""One heat run is known again, wherever its record lies; another one is not taken for it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

from fit.learning.identity import Identity, identity_of, repeated

READINGS = "t_s,tab_degC,power_W\n0,20,0\n1,20,4\n"


def make_run(folder: Path, number: str, readings: str = READINGS) -> Path:
    folder.mkdir()
    (folder / "readings.csv").write_text(readings, encoding="utf-8")
    document = json.dumps({"schema": "heatrun.run/1", "id": number})
    (folder / "run.json").write_text(document, encoding="utf-8")
    return folder


def same(one: Path, other: Path) -> bool:
    return identity_of(one).is_same(identity_of(other))


def test_a_copied_and_renamed_folder_is_the_same_run(tmp_path) -> None:
    run = make_run(tmp_path / "a", "4f1")
    shutil.copytree(run, tmp_path / "kept")
    assert same(run, tmp_path / "kept")


def test_a_run_that_was_logged_on_is_the_same_run(tmp_path) -> None:
    run = make_run(tmp_path / "a", "4f1")
    longer = make_run(tmp_path / "b", "4f1", READINGS + "2,21,4\n")
    assert same(run, longer)


def test_the_readings_alone_are_the_same_run(tmp_path) -> None:
    run = make_run(tmp_path / "a", "4f1")
    bare = tmp_path / "bare.csv"
    bare.write_text(READINGS, encoding="utf-8")
    assert same(run, bare)
    assert same(run, run / "readings.csv")


def test_a_file_brought_in_twice_is_the_same_run(tmp_path) -> None:
    assert same(make_run(tmp_path / "a", "4f1"), make_run(tmp_path / "b", "5a2"))


def test_another_run_in_a_folder_of_the_same_name_is_another(tmp_path) -> None:
    before = identity_of(make_run(tmp_path / "a", "4f1"))
    shutil.rmtree(tmp_path / "a")
    now = identity_of(make_run(tmp_path / "a", "5a2", READINGS + "2,21,4\n"))
    assert before.path == now.path
    assert not now.is_same(before)


def test_where_only_its_path_was_kept_the_path_decides(tmp_path) -> None:
    run = identity_of(make_run(tmp_path / "a", "4f1"))
    assert run.is_same(Identity(run.path))
    assert not run.is_same(Identity("elsewhere"))


def test_a_note_makes_no_other_run_of_it(tmp_path) -> None:
    run = make_run(tmp_path / "a", "")
    before = identity_of(run)
    (run / "events.jsonl").write_text('{"t_s": 0, "event": "operator"}\n', encoding="utf-8")
    assert identity_of(run).is_same(before)


def test_of_what_cannot_be_read_the_path_is_left(tmp_path) -> None:
    run = make_run(tmp_path / "a", "4f1")
    (run / "run.json").write_text("{", encoding="utf-8")
    (run / "readings.csv").unlink()
    assert identity_of(run) == Identity(str(run))


def test_two_runs_of_which_nothing_is_known_are_two() -> None:
    assert not Identity("a").is_same(Identity("b"))


def test_repetitions_are_found_among_the_runs_themselves_too() -> None:
    a, copy, b = Identity("a", "1"), Identity("copy", "1"), Identity("b", "2")
    assert repeated([a, copy, b], []) == {copy: a}
    assert repeated([a, copy, b], [a]) == {a: a, copy: a}
