"""What a record holds in a few characters: another digest, another record."""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Mapping
from pathlib import Path

from fit.records.run_folder import INPUTS

SIZE = 16  # bytes: of 1e9 records two alike by chance have a probability of 1e-21
BLOCK = 1 << 20  # read at once [B]


def record_digest(run: Path) -> str:
    """Digest of what a result is made from: the readings, with run.json and the events.

    Args:
        run: run folder or readings CSV.

    Returns:
        32 hexadecimal digits; empty where the readings cannot be read.
    """
    total = hashlib.blake2b(digest_size=SIZE)
    try:
        if not run.is_dir():
            _take_in(total, run)
            return total.hexdigest()
        for name in INPUTS:
            # What a run does not have leaves no trace: a kind of file that heatrun learns to read
            # later changes no digest of the runs before.
            with contextlib.suppress(FileNotFoundError):
                _take_in(total, run / name, name)
    except OSError:
        return ""
    return total.hexdigest()


def table_digest(values: Mapping[str, object]) -> str:
    """Digest of a table, whatever order its keys stand in.

    Args:
        values: of which JSON can be made.

    Returns:
        32 hexadecimal digits.

    >>> table_digest({"a": 1, "b": 2}) == table_digest({"b": 2, "a": 1})
    True
    """
    text = json.dumps(values, sort_keys=True, default=str)
    return hashlib.blake2b(text.encode(), digest_size=SIZE).hexdigest()


def _take_in(total: hashlib.blake2b, file: Path, name: str = "") -> None:
    if not file.is_file():  # no pipe, no device: nobody waits for them here
        raise FileNotFoundError(file)
    with file.open("rb") as stream:
        total.update(f"{name}\0{file.stat().st_size}\0".encode())
        while block := stream.read(BLOCK):
            total.update(block)
