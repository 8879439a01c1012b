"""Where a report's figures come from: files with their digests, versions, sensors, notes."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Mapping, Sequence
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from fit.records.events import EventName, last_event
from fit.records.metadata import software
from fit.records.run import Run
from fit.records.run_folder import INPUTS

LIBRARIES = ("numpy", "scipy", "lmfit", "pandas", "matplotlib")


def digest(path: Path) -> str:
    """SHA-256 of a file.

    Args:
        path: of the file.

    Returns:
        The digest, hexadecimal.
    """
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def digests(run: Run, others: Sequence[Path] = ()) -> list[tuple[str, str]]:
    """Digests of every input that exists.

    Args:
        run: whose own files come first.
        others: further files, in their order.

    Returns:
        Name and SHA-256 of each.
    """
    own = [run.path / name for name in INPUTS] if run.folder else [run.path]
    files = dict.fromkeys(path.resolve() for path in (*own, *others) if path.is_file())
    return [(path.name, digest(path)) for path in files]


def describe(run: Run) -> list[tuple[str, str]]:
    """Origin of a run in plain words: label, start, software, sensors, notes, end.

    Args:
        run: as read.

    Returns:
        Name and value of each item.
    """
    metadata = run.metadata
    lines = [("run", run.label), ("folder" if run.folder else "file", run.path.name)]
    started = "started" if started_is_known(run) else "imported, start not known"
    said = ((started, metadata.started), ("id", metadata.id), ("logged with", metadata.software))
    lines += [(word, text) for word, text in said if text]
    lines.append(("evaluated with", ", ".join([software(), *_libraries()])))
    if title := metadata.rig.get("title"):
        lines.append(("bench", str(title)))
    lines += [(f"sensor {node}", _words(what)) for node, what in metadata.sensors.items()]
    if metadata.origin is not None and metadata.origin.file:
        lines.append(("imported from", metadata.origin.file))
    if metadata.unit:
        lines.append(("unit", metadata.unit))
    if metadata.values:
        lines.append(("set", _words(metadata.values)))
    lines.append(("how it ended", _ending(run)))
    return lines


def started_is_known(run: Run) -> bool:
    """Whether the run's start is a time on its record, and not that of its import.

    Args:
        run: as read.

    Returns:
        True where it is.
    """
    return run.metadata.origin is None or run.metadata.origin.start_is_known


def _libraries() -> list[str]:
    found = [f"Python {platform.python_version()}"]
    for name in LIBRARIES:
        try:
            found.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            continue
    return found


def _words(what: object) -> str:
    if isinstance(what, Mapping):
        return ", ".join(f"{key} {value}" for key, value in what.items() if value not in (None, ""))
    return str(what)


def _ending(run: Run) -> str:
    if (stop := last_event(run.events, EventName.STOP)) is not None:
        return ", ".join(str(value) for value in stop.details.values() if value) or "stopped"
    return "no stop was recorded" if run.events else "not recorded"
