"""The operator's notes of a run, with their photos inside the page."""

from __future__ import annotations

import base64
import hashlib
import io
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from fit.errors import RecordError
from fit.records.notes import LARGEST_PHOTO, PHOTOS, OperatorNote, notes_of
from fit.records.plain_file import read_plain

if TYPE_CHECKING:
    from fit.records.run import Run

LARGEST_SIDE = 1600  # pixels: sharper than a page shows it, a few hundred kilobytes each
QUALITY = 82  # of JPEG: no loss to be seen at this size (common practice)


@dataclass(frozen=True)
class NoteRow:
    """One note as the page shows it."""

    when: str
    text: str
    image: str = ""  # a data URI; empty where there is none to show
    caption: str = ""


def note_rows(run: Run) -> list[NoteRow]:
    """Every note of a run in the order it was written."""
    return [_row(run, note) for note in notes_of(run.events)]


def when(run: Run, note: OperatorNote) -> str:
    """The time of a note [s], or that it came after the record's end."""
    ended = len(run.t_s) and note.t_s > run.t_s[-1]
    return "after the run" if ended else f"{note.t_s:.0f} s"


def _row(run: Run, note: OperatorNote) -> NoteRow:
    moment = when(run, note)
    if note.photo is None or run.folder is None:
        return NoteRow(moment, note.text)
    try:
        data = read_plain(_inside(run.folder, note.photo), LARGEST_PHOTO)
        image = _smaller(data)
    except (RecordError, OSError, ValueError) as error:
        return NoteRow(moment, note.text, caption=f"{note.photo} cannot be shown: {error}")
    digest = hashlib.sha256(data).hexdigest()
    same = "" if digest == note.sha256 else ", CHANGED since it was noted"
    return NoteRow(moment, note.text, image, f"{note.photo}, SHA-256 {digest[:16]}…{same}")


def _inside(folder: Path, photo: str) -> Path:
    """A photo is read from the run's own photos alone, whatever its event says."""
    name = Path(photo).name
    if photo != f"{PHOTOS}/{name}":
        raise ValueError(f"it is not in {PHOTOS}")
    return folder / PHOTOS / name


def _smaller(data: bytes) -> str:
    """A data URI of the photo, upright, without what the camera wrote about place and owner."""
    from PIL import Image, ImageOps

    try:
        with Image.open(io.BytesIO(data)) as opened:
            image = ImageOps.exif_transpose(opened).convert("RGB")
            image.thumbnail((LARGEST_SIDE, LARGEST_SIDE))
            out = io.BytesIO()
            image.save(out, "JPEG", quality=QUALITY)
    except (Image.DecompressionBombError, SyntaxError, EOFError, TypeError) as error:
        raise ValueError(str(error) or "no picture") from None
    return "data:image/jpeg;base64," + base64.b64encode(out.getvalue()).decode()
