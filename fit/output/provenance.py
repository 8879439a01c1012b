"""Where a report's figures come from: files with their digests, versions, sensors, notes."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Mapping, Sequence
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from fit.records.run import Run
from fit.records.writer import TIME_OF_IMPORT, software

INPUTS = ("readings.csv", "run.json", "events.jsonl")
LIBRARIES = ("numpy", "scipy", "lmfit", "pandas", "matplotlib")


def digest(path: Path) -> str:
    """SHA-256 of a file, hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def digests(run: Run, others: Sequence[Path] = ()) -> list[tuple[str, str]]:
    """Name and SHA-256 of every input that is there: the run's own files, then `others`."""
    own = [run.path / name for name in INPUTS] if run.folder else [run.path]
    return [(path.name, digest(path)) for path in (*own, *others) if path.is_file()]


def describe(run: Run) -> list[tuple[str, str]]:
    """Name and value of what is known of a run beside its readings, in plain words."""
    document = run.document
    lines = [("run", run.label), ("folder" if run.folder else "file", run.path.name)]
    started = "started" if started_is_known(run) else "imported, start not known"
    lines += _texts(document, {"started": started, "id": "id", "software": "logged with"})
    lines.append(("evaluated with", ", ".join([software(), *_libraries()])))
    rig = document.get("rig")
    if isinstance(rig, Mapping) and rig.get("title"):
        lines.append(("bench", str(rig["title"])))
    lines += _sensors(document.get("sensors"))
    origin = document.get("import")
    if isinstance(origin, Mapping) and origin.get("file"):
        lines.append(("imported from", str(origin["file"])))
    lines += _texts(document, {"unit": "unit"})
    values = document.get("values")
    if isinstance(values, Mapping) and values:
        lines.append(("set", _words(values)))
    lines.append(("how it ended", _ending(run)))
    return lines


def started_is_known(run: Run) -> bool:
    """Whether the run's start is a time on its record, and not that of its import."""
    origin = run.document.get("import")
    return not (isinstance(origin, Mapping) and origin.get("started_from") == TIME_OF_IMPORT)


def _texts(document: Mapping[str, object], names: Mapping[str, str]) -> list[tuple[str, str]]:
    return [(word, str(document[key])) for key, word in names.items() if document.get(key)]


def _libraries() -> list[str]:
    found = [f"Python {platform.python_version()}"]
    for name in LIBRARIES:
        try:
            found.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            continue
    return found


def _sensors(sensors: object) -> list[tuple[str, str]]:
    if not isinstance(sensors, Mapping):
        return []
    return [(f"sensor {node}", _words(what)) for node, what in sensors.items()]


def _words(what: object) -> str:
    if isinstance(what, Mapping):
        return ", ".join(f"{key} {value}" for key, value in what.items() if value not in (None, ""))
    return str(what)


def _ending(run: Run) -> str:
    for event in reversed(run.events):
        if event.event == "stop":
            details = ", ".join(str(value) for value in event.details.values() if value)
            return details or "stopped"
    return "no stop was recorded" if run.events else "not recorded"
