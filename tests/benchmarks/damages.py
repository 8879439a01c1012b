"""A file damaged at random: bits flipped, parts cut, lines swapped, numbers that are none."""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from functools import partial

NASTY = (
    *(b"\0", b"\r", b"\n\n", b"\xef\xbb\xbf", b"\xff\xfe", b'"""', b"[[", b"]]", b"{", b"}", b"#"),
    *(b"nan", b"inf", b"-inf", b"1e999", b"-1e-999", b"0", b"-0.0", b"1_000", b"0x10", b"9" * 400),
    *(b"true", b"null", b"''", b'"', b"=", b",,,,", b";", b"\x1b[2J", b"\\u0000", b"\\", b"%s"),
    *(b"../../x", b"[" * 3000, b"a" * 5000, "é°Ω".encode(), "\u202e".encode(), b"\xed\xa0\x80"),
)


def damaged(data: bytes, chance: random.Random) -> bytes:
    """A file with one to four damages."""
    for _ in range(chance.choice((1, 1, 1, 2, 4))):
        data = chance.choice(DAMAGES)(data, chance)
    return data


def _spot(data: bytes, chance: random.Random) -> int:
    return chance.randrange(len(data) + 1)


def _flip(data: bytes, chance: random.Random) -> bytes:
    if not data:
        return b"\0"
    i = chance.randrange(len(data))
    return data[:i] + bytes([data[i] ^ (1 << chance.randrange(8))]) + data[i + 1 :]


def _insert(data: bytes, chance: random.Random) -> bytes:
    i = _spot(data, chance)
    return data[:i] + chance.choice(NASTY) + data[i:]


def _cut(data: bytes, chance: random.Random) -> bytes:
    i, j = sorted((_spot(data, chance), _spot(data, chance)))
    return data[:i] + data[min(j, i + chance.choice((1, 20, 10_000))) :]


def _end_early(data: bytes, chance: random.Random) -> bytes:
    return data[: _spot(data, chance)]


def _repeat(data: bytes, chance: random.Random) -> bytes:
    i, j = sorted((_spot(data, chance), _spot(data, chance)))
    return data[:j] + data[i:j] + data[j:]


def _swap_lines(data: bytes, chance: random.Random) -> bytes:
    lines = data.splitlines(keepends=True)
    if len(lines) > 1:
        i, j = chance.randrange(len(lines)), chance.randrange(len(lines))
        lines[i], lines[j] = lines[j], lines[i]
    return b"".join(lines)


def _other_token(pattern: bytes, data: bytes, chance: random.Random) -> bytes:
    """A number or a word in place of another, or something nasty."""
    found = list(re.finditer(pattern, data))
    if not found:
        return _insert(data, chance)
    match = chance.choice(found)
    new = chance.choice([*NASTY, *(one[0] for one in chance.sample(found, min(20, len(found))))])
    return data[: match.start()] + new + data[match.end() :]


def _column(data: bytes, chance: random.Random) -> bytes:
    """One column of a table gone, or all of it one value."""
    rows = [line.split(b",") for line in data.splitlines()]
    width = len(rows[0]) if rows else 0
    i = chance.randrange(width) if width else 0
    new = chance.choice((None, b"", b"0", b"25.0", b"1e9", b"-3", b"nan"))
    for row in rows[1:]:
        if i < len(row):
            row[i : i + 1] = [] if new is None else [new]
    return b"\n".join(b",".join(row) for row in rows) + b"\n"


DAMAGES: tuple[Callable[[bytes, random.Random], bytes], ...] = (
    _flip,
    _insert,
    _cut,
    _end_early,
    _repeat,
    _swap_lines,
    partial(_other_token, rb"-?\d+\.?\d*"),
    partial(_other_token, rb"-?\d+\.?\d*"),
    partial(_other_token, rb"[A-Za-z_]\w*"),
    partial(_other_token, rb'"[^"\n]*"'),
    _column,
)
