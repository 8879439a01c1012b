"""A run folder: the names of its files, and a new one made.

readings.csv    one row per scan, appended as it comes
run.json        written once at the start
events.jsonl    appended
vf_windows.csv  appended, where a junction is measured by its forward voltage
fit.json  check.json  report.html   results, written whole
"""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

from fit.errors import RecordError

READINGS, EVENTS, DOCUMENT = "readings.csv", "events.jsonl", "run.json"
FIT_RESULT, CHECK_RESULT, REPORT = "fit.json", "check.json", "report.html"
VF_WINDOWS = "vf_windows.csv"
INPUTS = (READINGS, DOCUMENT, EVENTS, VF_WINDOWS)
"""What a result is made from."""


def default_folder(label: str, started: datetime, parent: Path = Path("runs")) -> Path:
    """`runs/<UTC start>_<label>`, the label reduced to what every file system takes.

    Args:
        label: the user's words.
        started: start of the record, with its time zone.
        parent: folder of all runs.
    """
    stamp = started.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
    slug = re.sub(r"[^\w.-]+", "-", label.strip().lower()).strip("-.") or "run"
    return parent / f"{stamp}_{slug[:60]}"


def not_created(folder: Path, error: OSError, place: str = "") -> RecordError:
    """The complaint about a folder that cannot be made."""
    return RecordError(
        folder, place, f"cannot be created ({error.strerror})", "name a folder you may create"
    )


def make_folder(folder: Path) -> None:
    """Make the folder of a new run, and its parents.

    Raises:
        RecordError: it exists or cannot be created.
    """
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError) as error:
        raise RecordError(
            folder, "", "cannot be created in a file", "name a folder for it"
        ) from error
    except OSError as error:
        raise not_created(folder, error) from error
    try:
        folder.mkdir()
    except FileExistsError as error:
        raise RecordError(
            folder, "", "exists already", "a run never writes over another: name a new folder"
        ) from error
    except OSError as error:
        raise not_created(folder, error) from error
