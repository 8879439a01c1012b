"""Which heat run a record is of, so that the same one is known again."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from fit.errors import RecordError
from fit.records.metadata import read_metadata
from fit.records.plain_file import LARGEST_TABLE, read_plain
from fit.records.run_folder import DOCUMENT, READINGS


@dataclass(frozen=True)
class Identity:
    """What a run is known by. Of a bare CSV there is no id; what cannot be read is empty."""

    path: str  # as it was named
    id: str = ""  # of run.json
    readings_sha256: str = ""

    def __str__(self) -> str:
        return self.path

    def is_same(self, other: Identity) -> bool:
        """Whether both are of one heat run.

        The same id is the same run, logged on or trimmed since; the same readings are, copied or
        brought in twice; the same path is where nothing else is known of one of them.

        Args:
            other: run.

        >>> first = Identity("runs/a", "4f1", "9c0")
        >>> first.is_same(Identity("kept/a", "4f1", "77e")), first.is_same(Identity("runs/a"))
        (True, True)
        >>> first.is_same(Identity("runs/a", "5a2", "77e"))
        False
        """
        for mine, its in ((self.id, other.id), (self.readings_sha256, other.readings_sha256)):
            if mine and mine == its:
                return True
        one_unknown = not (self.readings_sha256 and other.readings_sha256)
        return one_unknown and self.path == other.path


def identity_of(path: Path) -> Identity:
    """What a run is known by.

    Args:
        path: run folder or readings CSV.

    Returns:
        Its identity; what is wrong with the run is for whoever measures it to say.
    """
    readings = path / READINGS if path.is_dir() else path
    number, digest = "", ""
    if readings.name == READINGS and (readings.parent / DOCUMENT).is_file():
        with contextlib.suppress(RecordError):
            number = read_metadata(readings.parent / DOCUMENT).id
    with contextlib.suppress(RecordError):
        digest = hashlib.sha256(read_plain(readings, LARGEST_TABLE)).hexdigest()
    return Identity(str(path), number, digest)


def repeated(runs: Sequence[Identity], before: Iterable[Identity]) -> dict[Identity, Identity]:
    """Runs that there have been already, before or among themselves.

    Args:
        runs: in their order.
        before: earlier ones.

    Returns:
        Of each run that is a repetition, the one it repeats.

    >>> a, copy, b = Identity("a", "1"), Identity("copy", "1"), Identity("b", "2")
    >>> {str(again): str(first) for again, first in repeated([a, b, copy], [b]).items()}
    {'b': 'b', 'copy': 'a'}
    """
    seen, found = list(before), {}
    for run in runs:
        first = next((one for one in seen if run.is_same(one)), None)
        if first is None:
            seen.append(run)
        else:
            found[run] = first
    return found
