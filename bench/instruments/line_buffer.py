"""Bytes in, whole lines out: what a serial port delivers has no respect for lines."""

from __future__ import annotations

from collections import deque

LONGEST_LINE = 4096


class LineBuffer:
    """Collects bytes and gives whole lines without their terminator.

    Carriage returns before a line feed are dropped; bytes that are not text come out as the
    replacement character, so that such a line fails to match instead of ending the run.

    >>> buffer = LineBuffer()
    >>> buffer.feed(b"21.5,2")
    >>> buffer.feed(b"1.6\\r\\n21.")
    >>> buffer.take(), buffer.take()
    ('21.5,21.6', None)
    """

    def __init__(
        self, terminator: bytes = b"\n", longest: int = LONGEST_LINE, drop_first: bool = False
    ) -> None:
        """
        Args:
            terminator: ends a line.
            longest: bytes [1] kept of a line; what is longer is given as one torn line.
            drop_first: the stream was joined in the middle of a line, so forget up to its end.
        """
        self.terminator = terminator
        self.longest = longest
        self._drop_first = drop_first
        self._pending = b""
        self._lines: deque[str] = deque()
        self._overlong = False

    def feed(self, data: bytes) -> None:
        """Add bytes as they arrived."""
        *whole, rest = (self._pending + data).split(self.terminator)
        for line in whole:
            self._finish(line)
        if len(rest) > self.longest:
            if not self._overlong and not self._drop_first:
                self._lines.append(_text(rest[: self.longest]))
            self._overlong = True
            # The end of the terminator may be under way: keep as much as could be its beginning.
            rest = rest[-len(self.terminator) :]
        self._pending = rest

    def take(self) -> str | None:
        """The oldest whole line, or None."""
        return self._lines.popleft() if self._lines else None

    def clear(self) -> None:
        """Forget everything not taken yet; what comes next begins a line."""
        self._pending = b""
        self._overlong = self._drop_first = False
        self._lines.clear()

    def __len__(self) -> int:
        return len(self._lines)

    def _finish(self, line: bytes) -> None:
        if self._overlong or self._drop_first:
            self._overlong = self._drop_first = False
            return
        self._lines.append(_text(line[: self.longest]))


def _text(line: bytes) -> str:
    return line.decode("utf-8", errors="replace").rstrip("\r").lstrip("\r\n")
