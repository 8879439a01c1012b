"""Results written whole into a run folder, and numbers as JSON takes them."""

from __future__ import annotations

import contextlib
import json
import math
import os
import uuid
from collections.abc import Mapping, Sequence
from pathlib import Path

from fit.errors import RecordError


def write_result(folder: Path, name: str, document: Mapping[str, object] | str) -> Path:
    """Write a result whole, replacing an earlier one: temporary file, sync, rename.

    Args:
        folder: the run folder.
        name: file name, such as "fit.json".
        document: an object for JSON (numbers that are not finite become null), or text as it is.
    Returns:
        The file written.
    Raises:
        RecordError: the folder cannot be written.
    """
    text = document if isinstance(document, str) else to_json(document, indent=2) + "\n"
    data = text.encode(errors="backslashreplace")  # before there is a file to be left behind
    target = folder / name
    put_whole(target, data)
    return target


def put_whole(target: Path, data: bytes) -> None:
    """Put a file in its place whole, or leave nothing behind.

    Args:
        target: the file.
        data: all of it.

    Raises:
        RecordError: its folder cannot be written.
    """
    temporary = target.with_name(f".{target.name}.{uuid.uuid4().hex[:8]}.tmp")
    try:
        with temporary.open("xb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        temporary.replace(target)
    except OSError as error:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise not_written(target, error) from error


def not_written(target: Path, error: OSError) -> RecordError:
    """What is said of a file that cannot be written."""
    remedy = "see that its folder takes it"
    return RecordError(target, "", f"cannot be written ({error.strerror})", remedy)


def to_json(value: object, indent: int | None = None) -> str:
    """JSON text in which every number is finite: NaN and infinities become null."""
    return json.dumps(_finite(value), indent=indent, ensure_ascii=False, allow_nan=False)


def _finite(value: object) -> object:
    if isinstance(value, Mapping):
        return {str(key): _finite(item) for key, item in value.items()}
    if isinstance(value, str | bool | int | None):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if hasattr(value, "tolist"):  # numpy arrays and scalars, without importing numpy
        return _finite(value.tolist())
    if isinstance(value, Sequence | set | frozenset):
        return [_finite(item) for item in value]
    return str(value)
