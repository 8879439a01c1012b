"""The text of another logger's file, whatever encoding it is in."""

from __future__ import annotations

import codecs
from pathlib import Path

from fit.errors import RecordError
from fit.records.plain_file import LARGEST_TABLE, read_plain

BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


def decode(path: Path, encoding: str | None) -> tuple[str, str]:
    """Text of a file with line feeds only, and its encoding.

    Args:
        path: of the file.
        encoding: as stated; found when None.

    Returns:
        The text, and the name of its encoding.

    Raises:
        RecordError: not a text file, or of another encoding than stated.
    """
    data = read_plain(path, LARGEST_TABLE, missing="name the logger's file")
    if not data.strip():
        raise RecordError(path, "", "is empty", "lines of readings are expected")
    found = next((name for bom, name in BOMS if data.startswith(bom)), None)
    try:
        text = data.decode(encoding or found or "utf-8")
        encoding = encoding or found or "utf-8"
    except LookupError as error:
        raise RecordError(
            path, "--encoding", f"{encoding!r} is no encoding", "utf-8, cp1252, utf-16"
        ) from error
    except UnicodeDecodeError as error:
        if encoding or found:
            raise RecordError(
                path,
                f"byte {error.start}",
                f"is not {encoding or found}",
                "state the encoding with --encoding",
            ) from error
        text, encoding = data.decode("cp1252", "replace"), "cp1252"
    text = text.removeprefix("\ufeff")
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise RecordError(
            path,
            f"line {line}",
            "holds NUL bytes",
            "a delimited text file is expected; if it is UTF-16 say --encoding utf-16-le",
        )
    return text.replace("\r\n", "\n").replace("\r", "\n"), encoding
