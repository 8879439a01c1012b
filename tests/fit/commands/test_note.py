"""`heatrun note` as a user runs it, and what the report and `compare` make of it."""

from __future__ import annotations

import base64
import dataclasses
import io
import re
from pathlib import Path

import pytest
from PIL import Image

from bench.cli import main
from fit.output.report.notes import note_rows
from fit.output.report.report import draw_figures, gather, render
from fit.records.events import read_events
from fit.records.notes import add_note
from fit.records.run import Run
from fit.statistics.stated_values import label_values
from tests.fit.output.test_figures import made_response, made_run


def run_in(folder: Path) -> Run:
    events, _ = read_events(folder / "events.jsonl")
    return dataclasses.replace(made_run(), path=folder, events=events)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "events.jsonl").touch()
    image = Image.new("RGB", (4000, 3000), (10, 120, 10))
    exif = image.getexif()
    exif[0x010F] = "Camera of somebody"
    image.save(tmp_path / "pad.jpg", exif=exif)
    return tmp_path / "run"


def test_the_command_keeps_note_and_photo(folder: Path) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["note", str(folder), "pad after taking apart", "--photo", f"{folder}/../pad.jpg"])
    assert ended.value.code in (0, None)
    (row,) = note_rows(run_in(folder))
    assert row.text == "pad after taking apart"
    assert row.image.startswith("data:image/jpeg;base64,")


def test_bad_input_gets_one_line_and_status_2(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["note", str(folder / "none"), "text"])
    assert ended.value.code == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1


def test_the_report_shows_note_and_photo_inside_itself(folder: Path) -> None:
    add_note(folder, "<b>loose</b> screw", folder.parent / "pad.jpg")
    run = run_in(folder)
    material = gather(run, dataclasses.replace(made_response(run), run=None))
    html = render(material, draw_figures(material))
    assert "&lt;b&gt;loose&lt;/b&gt; screw" in html
    (image,) = re.findall(r'<img src="data:image/jpeg;base64,([^"]+)"', html)
    with Image.open(io.BytesIO(base64.b64decode(image))) as shown:
        assert shown.size == (1600, 1200)
        assert not shown.getexif()


def test_a_photo_that_was_changed_since_is_said(folder: Path) -> None:
    note = add_note(folder, "the pad", folder.parent / "pad.jpg")
    Image.new("RGB", (8, 8)).save(folder / str(note.photo))
    assert "CHANGED since it was noted" in note_rows(run_in(folder))[0].caption


@pytest.mark.parametrize("break_it", ["gone", "no picture"])
def test_a_photo_that_cannot_be_shown_is_named(folder: Path, break_it: str) -> None:
    note = add_note(folder, "the pad", folder.parent / "pad.jpg")
    file = folder / str(note.photo)
    file.unlink() if break_it == "gone" else file.write_bytes(b"\xff\xd8\xff nothing")
    (row,) = note_rows(run_in(folder))
    assert row.image == ""
    assert f"{note.photo} cannot be shown" in row.caption


@pytest.mark.parametrize("file", ["../secret.jpg", "/etc/passwd", "photos/../../x.jpg"])
def test_no_file_outside_is_read_for_a_photo(folder: Path, file: str) -> None:
    (folder / "events.jsonl").write_text(
        f'{{"t_s": 1.0, "event": "operator", "text": "x", "photo": {{"file": "{file}"}}}}\n'
    )
    (row,) = note_rows(run_in(folder))
    assert "it is not in photos" in row.caption


def test_a_note_after_the_record_says_so(folder: Path) -> None:
    (folder / "events.jsonl").write_text('{"t_s": 1e7, "event": "operator", "text": "later"}\n')
    assert note_rows(run_in(folder))[0].when == "after the run"


def test_what_a_note_states_can_be_compared_by(folder: Path) -> None:
    add_note(folder, "tightened, torque_Nm=0.5")
    assert label_values(run_in(folder))["torque_Nm"] == 0.5
