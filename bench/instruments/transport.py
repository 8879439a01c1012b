"""One serial port: opened for us alone, written to, and read line by line within a deadline.

Deadlines here are of the computer's own clock, also where the bench clock runs fast: an exchange
over a port takes the time it takes.
"""

from __future__ import annotations

import contextlib
import re
import select
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any

import serial

from bench.instruments.line_buffer import LineBuffer
from bench.instruments.settings import InstrumentSettings
from bench.instruments.visa import VisaPort, is_resource
from fit.errors import InstrumentLost, PortError

# What pyserial lets out when a device goes away: it closes its own descriptor under our feet, too.
LOST: tuple[type[BaseException], ...] = (
    serial.SerialException,
    OSError,
    TypeError,
    AttributeError,
)
SELECTABLE = sys.platform != "win32"  # there select knows sockets only
if sys.platform != "win32":
    import termios

    LOST = (*LOST, termios.error)
OPENING: tuple[type[BaseException], ...] = (*LOST, ValueError)
CHUNK = 65536
MOST_CHUNKS = 100  # a port that never stops sending must not keep us
GATHER_S = (
    0.005  # a fast stream is taken in gulps: waking for every line costs more than reading it
)
POLL_S = 0.02  # where a port cannot be waited for (Windows, loop://)
WRITE_S = 2.0


def open_port(settings: InstrumentSettings) -> Any:
    """Open an instrument's port for this program alone.

    Returns:
        A pyserial object, or what passes for one.

    Raises:
        PortError: no such port, taken, or not permitted.
    """
    if is_resource(settings.port):
        terminator = str(getattr(settings, "terminator", "\n")).encode()
        try:
            return VisaPort(settings.port, settings.line, settings.reply_s, terminator)
        except OSError as error:
            raise PortError(f"{settings.name}: port {settings.port} {error}") from None
    try:
        return serial.serial_for_url(
            settings.port, timeout=0, write_timeout=WRITE_S, exclusive=True, **settings.line
        )
    except OPENING as error:
        raise PortError(_why_not(settings, error)) from None


def _why_not(settings: InstrumentSettings, error: BaseException) -> str:
    head = f"{settings.name}: port {settings.port}"
    text = str(error)
    code = getattr(error, "errno", None)
    # Windows denies access to a port that somebody else has open, in its user's language.
    denied = sys.platform == "win32" and "PermissionError" in text
    taken = "exclusively lock" in text or "busy" in text.lower() or denied
    if taken or code == 16:
        return f"{head} is taken by another program; close that one first"
    if code == 13 or "Permission" in text:
        return f"{head} may not be opened by this user; 'heatrun ports' says what to do"
    if code in (2, 20) or "FileNotFound" in text or "No such file" in text:
        return f"{head} does not exist; 'heatrun ports' lists those that do"
    scheme, _, rest = settings.port.partition("://")
    if scheme == "tcp":
        return f"{head} is of Modbus TCP; for lines over the network write socket://{rest}"
    if scheme in ("socket", "rfc2217") and not _numbered(rest):
        return f"{head} names no port number; write {scheme}://HOST:NUMBER, 1 to 65535"
    return f"{head} cannot be opened: {text.removeprefix(f'Could not open port {settings.port}: ')}"


def _numbered(address: str) -> bool:
    """Whether an address, such as `127.0.0.1:47001?logging=debug`, has a TCP port number."""
    number = re.search(r":(\d{1,5})/?(?:\?.*)?$", address)
    return number is not None and 0 < int(number[1]) < 65536


class Transport:
    """An instrument's port and the lines on it."""

    def __init__(
        self, settings: InstrumentSettings, terminator: str = "\n", streaming: bool = False
    ) -> None:
        self.settings = settings
        self.terminator = terminator.encode()
        self.streaming = streaming
        self._port: Any = None
        self._buffer = LineBuffer(self.terminator)
        self._descriptor: int | None = None
        self._received_s = 0.0

    def open(self) -> None:
        """Open the port, with nothing left over from before. Raises PortError."""
        self.close()
        port = open_port(self.settings)
        self._port = port
        self._descriptor = _descriptor(port, self.settings.port)
        if self._descriptor is None:
            port.timeout = POLL_S
        if self.settings.startup_s:
            time.sleep(self.settings.startup_s)
        self.discard()
        self._buffer = LineBuffer(self.terminator, drop_first=self.streaming)

    def close(self) -> None:
        """Close the port, never raises."""
        port, self._port = self._port, None
        if port is not None:
            with contextlib.suppress(*LOST):
                port.close()

    def set_speed(self, baud: int) -> None:
        """Change the speed of the open port and forget what came before. Raises InstrumentLost."""
        with self._losing() as port:
            port.baudrate = baud
        self.discard()
        self._buffer = LineBuffer(self.terminator, drop_first=self.streaming)

    @property
    def is_open(self) -> bool:
        return self._port is not None

    def discard(self) -> None:
        """Forget what has arrived: a late answer belongs to a question no longer asked."""
        with self._losing() as port:
            for _ in range(MOST_CHUNKS):
                # Without a descriptor a read waits; what is there is asked for.
                come = CHUNK if self._descriptor is not None else port.in_waiting
                if not come or not port.read(come):
                    break
        self._buffer.clear()

    def write_line(self, text: str) -> None:
        """Send one line. Raises InstrumentLost."""
        with self._losing() as port:
            port.write(text.encode() + self.terminator)
            if self._descriptor is None:
                port.flush()

    def read_line(self, within_s: float) -> str | None:
        """The next whole line, or None when none was complete within so long [s].

        Raises:
            InstrumentLost: the port is gone.
        """
        deadline = time.monotonic() + within_s
        while (line := self._buffer.take()) is None:
            left = deadline - time.monotonic()
            if left <= 0:
                return None
            self._buffer.feed(self._receive(left))
        return line

    def next_line(self, query: str | None, wait_s: float) -> str | None:
        """The answer to a query, or the stream's next line where there is none; None after wait_s.

        Raises InstrumentLost.
        """
        return self.read_line(wait_s) if query is None else self.ask(query, wait_s)

    def ask(self, query: str, within_s: float) -> str | None:
        """Send a query and wait for its line; None when there was no answer in time."""
        self.discard()
        self.write_line(query)
        return self.read_line(within_s)

    def _receive(self, wait_s: float) -> bytes:
        with self._losing() as port:
            if self._descriptor is None:
                return bytes(port.read(max(1, port.in_waiting)))
            if self.streaming:
                self._gather(wait_s)
            if not select.select([self._descriptor], [], [], wait_s)[0]:
                return b""
            self._received_s = time.monotonic()
            data = bytes(port.read(CHUNK))
            if not data:
                raise OSError("the port reports data but has none")
            return data

    def _gather(self, wait_s: float) -> None:
        """Right after a delivery, let some more come in."""
        rest_s = self._received_s + GATHER_S - time.monotonic()
        if rest_s > 0:
            time.sleep(min(rest_s, wait_s))

    @contextlib.contextmanager
    def _losing(self) -> Iterator[Any]:
        """The open port; whatever it raises becomes InstrumentLost and closes it."""
        if self._port is None:
            raise InstrumentLost(f"{self.settings.name}: port {self.settings.port} is not open")
        try:
            yield self._port
        except LOST as error:
            self.close()
            raise InstrumentLost(
                f"{self.settings.name}: lost on port {self.settings.port} ({error})"
            ) from None


def _descriptor(port: Any, name: str) -> int | None:
    """What select can wait on, where the system and the kind of port have such a thing."""
    fileno: Callable[[], int] | None = getattr(port, "fileno", None)
    if fileno is None or not (SELECTABLE or name.startswith("socket://")):
        return None
    try:
        return int(fileno())
    except (OSError, ValueError, AttributeError, NotImplementedError):
        return None
