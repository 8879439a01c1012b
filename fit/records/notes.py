"""What an operator writes beside a run: notes as events, photos as files with their digest."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from fit.errors import RecordError
from fit.records.appended import append_line
from fit.records.events import Event, EventName, event_from, last_event
from fit.records.metadata import read_metadata
from fit.records.plain_file import read_plain
from fit.records.results import not_written, put_whole, to_json
from fit.records.run_folder import DOCUMENT, EVENTS, READINGS

PHOTOS = "photos"
LARGEST_PHOTO = 50_000_000  # a camera's own JPEG has 5 to 20 MB [B]
LAST_BYTES = 100_000  # of the events: some notes of the greatest length may follow the end
LONGEST_NOTE = 10_000  # characters, three pages
KINDS = {b"\xff\xd8\xff": "jpg", b"\x89PNG\r\n\x1a\n": "png", b"GIF8": "gif", b"RIFF": "webp"}
"""How a photo begins, and the ending of its name."""


@dataclass(frozen=True)
class OperatorNote:
    """One note of a run."""

    t_s: float  # since the start of the record [s]
    text: str
    photo: str | None = None  # file in the run folder
    sha256: str | None = None  # of the photo, when it was taken in


def notes_of(events: Sequence[Event]) -> tuple[OperatorNote, ...]:
    """The notes among the events of a run."""
    found = []
    for event in events:
        text, photo = event.details.get("text"), event.details.get("photo")
        named = photo if isinstance(photo, Mapping) else {}
        if event.event == EventName.OPERATOR and text:
            file, digest = named.get("file"), named.get("sha256")
            found.append(
                OperatorNote(
                    event.t_s,
                    str(text),
                    str(file) if file else None,
                    str(digest) if digest else None,
                )
            )
    return tuple(found)


def add_note(run: Path, text: str, photo: Path | None = None) -> OperatorNote:
    """Write a note into a run folder, while it is logged or after.

    Args:
        run: the folder.
        text: the note.
        photo: JPEG, PNG, WebP or GIF, copied into the folder.

    Raises:
        RecordError: no such run, no text, or no such photo; nothing is written then.
    """
    folder = run.parent if run.name == READINGS else run
    if not (folder / EVENTS).is_file():
        problem = f"holds no {EVENTS}" if folder.is_dir() else "is no run folder"
        raise RecordError(run, "", problem, "a note is kept in the folder of a run")
    text = text.strip()
    if not text or len(text) > LONGEST_NOTE:
        problem = f"the note has {len(text)} characters"
        raise RecordError(run, "TEXT", problem, f"1 to {LONGEST_NOTE}")
    now = datetime.now(UTC)
    details: dict[str, object] = {"text": text}
    note = OperatorNote(_t_s(folder, now), text)
    if photo is not None:
        data = read_plain(photo, LARGEST_PHOTO, error=RecordError, missing="name a photo")
        digest = hashlib.sha256(data).hexdigest()
        file = f"{PHOTOS}/{digest[:12]}.{_kind(photo, data)}"
        _keep(folder / file, data)
        details["photo"] = {"file": file, "sha256": digest}
        note = OperatorNote(note.t_s, text, file, digest)
    stamp = now.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    line = to_json({"t_s": note.t_s, "event": EventName.OPERATOR, **details, "utc": stamp})
    try:
        append_line(folder / EVENTS, line.encode(errors="backslashreplace"))
    except OSError as error:
        raise RecordError(
            folder / EVENTS, "", f"cannot be written ({error.strerror})", "check its permissions"
        ) from None
    return note


def _t_s(folder: Path, now: datetime) -> float:
    """Time since the start of the record by the wall clock [s]; 0 where the start is not known.

    Once the record has ended no earlier than its end: an imported one started when nobody knows.
    """
    ended = last_event(_last_events(folder / EVENTS), EventName.STOP)
    least_s = 0.0 if ended is None else ended.t_s
    try:
        started = datetime.fromisoformat(read_metadata(folder / DOCUMENT).started)
        return round(max(least_s, (now - started).total_seconds()), 3)
    except (RecordError, ValueError, TypeError):  # no stamp, or one without its zone
        return least_s


def _last_events(path: Path) -> list[Event]:
    """The events at the end of a file that may be long and still growing."""
    try:
        with path.open("rb") as file:
            file.seek(max(0, path.stat().st_size - LAST_BYTES))
            return [event for line in file.readlines(LAST_BYTES) if (event := event_from(line))]
    except OSError:
        return []


def _kind(photo: Path, data: bytes) -> str:
    kind = next((kind for magic, kind in KINDS.items() if data.startswith(magic)), None)
    if kind is None or (kind == "webp" and data[8:12] != b"WEBP"):
        raise RecordError(
            photo, "", "is no JPEG, PNG, WebP or GIF", "save it as one of these, JPEG say"
        )
    return kind


def _keep(target: Path, data: bytes) -> None:
    """Write a photo whole under its digest; one that is there already is the same."""
    try:
        target.parent.mkdir(exist_ok=True)
        kept = target.exists()
    except OSError as error:
        raise not_written(target, error) from error
    if not kept:
        put_whole(target, data)
