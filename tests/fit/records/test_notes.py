"""Notes beside a run: while another program writes it, after it, and with photos."""

from __future__ import annotations

import hashlib
import io
import json
import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from fit.errors import RecordError
from fit.records.appended import append_line
from fit.records.events import read_events
from fit.records.metadata import run_document
from fit.records.notes import LONGEST_NOTE, add_note, notes_of
from fit.records.run_folder import EVENTS
from fit.records.writer import RunWriter


def photo(kind: str = "JPEG") -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (32, 24), (200, 10, 10)).save(out, kind)
    return out.getvalue()


@pytest.fixture
def writer(tmp_path: Path) -> RunWriter:
    document = run_document("made", ["tab"], datetime.now(UTC))
    return RunWriter.create(tmp_path / "run", document, ["power_W"])


def test_a_note_is_an_event_with_its_time(writer: RunWriter) -> None:
    add_note(writer.folder, "  the left screw was loose ")
    writer.close()
    (note,) = notes_of(read_events(writer.folder / EVENTS)[0])
    assert note.text == "the left screw was loose"
    assert 0.0 <= note.t_s < 60.0


def test_a_note_after_the_end_is_no_earlier_than_the_end(writer: RunWriter) -> None:
    writer.append_event(6478.0, "stop", reason="imported")
    writer.close()
    assert add_note(writer.folder, "screws were loose").t_s == 6478.0


def test_notes_of_another_process_and_the_loggers_own_events_are_all_there(
    writer: RunWriter,
) -> None:
    program = (
        "import sys; from pathlib import Path; from fit.records.notes import add_note\n"
        "for i in range(100): add_note(Path(sys.argv[1]), f'note {i}')"
    )
    other = subprocess.Popen([sys.executable, "-c", program, str(writer.folder)])
    written = 0
    while other.poll() is None:
        writer.append_event(float(written), "gap", text="x" * (written % 5000))
        written += 1
    writer.append_event(float(written), "stop")
    writer.close()
    assert other.returncode == 0
    events, left_out = read_events(writer.folder / EVENTS)
    assert left_out == ()
    assert [note.text for note in notes_of(events)] == [f"note {i}" for i in range(100)]
    assert [one.t_s for one in events if one.event == "gap"] == list(map(float, range(written)))
    assert events[-1].event == "stop"


def test_a_note_after_a_torn_line_stands_on_its_own(writer: RunWriter) -> None:
    writer.close()
    with (writer.folder / EVENTS).open("ab") as stream:
        stream.write(b'{"t_s": 3.0, "ev')
    add_note(writer.folder, "after the crash")
    events, left_out = read_events(writer.folder / EVENTS)
    assert [note.text for note in notes_of(events)] == ["after the crash"]
    assert "line 1 cannot be read" in left_out[0]


@pytest.mark.parametrize(
    ("kind", "ending"), [("JPEG", "jpg"), ("PNG", "png"), ("WEBP", "webp"), ("GIF", "gif")]
)
def test_a_photo_is_copied_beside_the_record_with_its_digest(
    writer: RunWriter, tmp_path: Path, kind: str, ending: str
) -> None:
    (tmp_path / "IMG 1").write_bytes(photo(kind))
    add_note(writer.folder, "the pad", tmp_path / "IMG 1")
    add_note(writer.folder, "the pad again", tmp_path / "IMG 1")
    writer.close()
    digest = hashlib.sha256(photo(kind)).hexdigest()
    first, second = notes_of(read_events(writer.folder / EVENTS)[0])
    assert first.photo == second.photo == f"photos/{digest[:12]}.{ending}"
    assert first.sha256 == digest
    assert (writer.folder / first.photo).read_bytes() == photo(kind)
    assert len(list((writer.folder / "photos").iterdir())) == 1


def test_what_is_no_photo_is_refused_and_nothing_is_written(
    writer: RunWriter, tmp_path: Path
) -> None:
    (tmp_path / "x.jpg").write_bytes(b"RIFF....WAVE")
    for wrong, why in ((tmp_path / "x.jpg", "is no JPEG"), (tmp_path, "is a folder")):
        with pytest.raises(RecordError, match=why):
            add_note(writer.folder, "look", wrong)
    writer.close()
    assert (writer.folder / EVENTS).read_bytes() == b""
    assert not (writer.folder / "photos").exists()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes with names")
def test_a_photo_that_is_a_pipe_is_not_waited_for(writer: RunWriter, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")
    with pytest.raises(RecordError, match="is no regular file"):
        add_note(writer.folder, "look", tmp_path / "pipe.jpg")
    writer.close()


@pytest.mark.parametrize("text", ["", " \n", "x" * (LONGEST_NOTE + 1)])
def test_no_note_and_far_too_long_a_note_are_refused(writer: RunWriter, text: str) -> None:
    with pytest.raises(RecordError, match=f"1 to {LONGEST_NOTE}"):
        add_note(writer.folder, text)
    writer.close()


def test_a_bare_table_takes_no_note(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("t_s,tab_degC,power_W\n0,23,0\n")
    with pytest.raises(RecordError, match="is no run folder"):
        add_note(tmp_path / "log.csv", "look")


@given(st.text(min_size=1).filter(str.strip))
def test_any_text_comes_back(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    folder = tmp_path_factory.mktemp("run")
    (folder / EVENTS).touch()
    add_note(folder, text)
    assert len((folder / EVENTS).read_bytes().splitlines()) == 1
    (note,) = notes_of(read_events(folder / EVENTS)[0])
    assert note.text == text.strip()


def test_a_line_is_appended_to_no_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        append_line(tmp_path / "none", b"x")
    assert not (tmp_path / "none").exists()


def test_events_stay_lines_of_json(writer: RunWriter) -> None:
    writer.append_event(1.0, "gap", problem="two\nlines")
    writer.close()
    (line,) = (writer.folder / EVENTS).read_text().splitlines()
    assert json.loads(line)["problem"] == "two\nlines"
