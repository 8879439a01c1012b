"""A VXI-11 server for one virtual instrument (VXI-11, TCP/IP Instrument Protocol, revision 1.0).

The core channel and its locks, without abort and interrupt channels; a port mapper answers on the
same TCP port. Calls are ONC RPC version 2 (RFC 5531) with XDR (RFC 4506), in records; numbers of
programs and procedures from memory, and as pyvisa-py, the client, has them.
"""

from __future__ import annotations

import socket
import struct
import time
from collections import deque
from dataclasses import dataclass, field
from itertools import count

from tests.support.lan_end import LanEnd

LAST = 1 << 31  # of a record's fragments: it is the last one
CALL, REPLY, ACCEPTED, SUCCESS, NO_SUCH_PROGRAM, NO_SUCH_PROCEDURE = 0, 1, 0, 0, 1, 3
PORT_MAPPER, GET_PORT = 100000, 3
CORE, CREATE, WRITE, READ, STATUS, LOCK, UNLOCK, DESTROY = 0x0607AF, 10, 11, 12, 13, 18, 19, 23
NO_ERROR, NO_SUCH_LINK, LOCKED, NO_LOCK, TIMEOUT = 0, 4, 11, 12, 15
END_FLAG, END_REASON, COUNT_REASON = 8, 4, 1
MESSAGE_AVAILABLE = 1 << 4
MAX_RECEIVED = 1 << 16


@dataclass
class Link:
    """One client's link, and what is under way on it."""

    client: socket.socket
    message: bytes = b""
    answers: deque[bytes] = field(default_factory=deque)


@dataclass
class Waiting:
    """A read that waits for an answer."""

    link: Link
    call: int
    size: int
    until_s: float


class Vxi11End(LanEnd):
    """The far end of `TCPIP0::127.0.0.1,PORT::inst0::INSTR`, as pyvisa-py names a port."""

    def __init__(self, keeps_unread: bool = False, has_status: bool = True) -> None:
        """
        Args:
            keeps_unread: a question does not discard an answer not yet read, as a converter to a
                serial line does not; an instrument that keeps IEEE 488.2 does.
            has_status: it can be asked for its status byte.
        """
        self._keeps_unread, self._has_status = keeps_unread, has_status
        self._links: dict[int, Link] = {}
        self._numbers = count(1)
        self._waiting: list[Waiting] = []
        self._locked_by: Link | None = None
        super().__init__("TCPIP0::127.0.0.1,{}::inst0::INSTR")  # last: it begins to serve

    def _answer(self, data: bytes) -> None:
        self._tick()
        link: Link = self._asker
        link.answers.append(data)
        for one in [one for one in self._waiting if one.link is link]:
            self._waiting.remove(one)
            _give(one.link, one.call, one.size)

    def _tick(self) -> None:
        for one in [one for one in self._waiting if time.monotonic() > one.until_s]:
            self._waiting.remove(one)
            _reply(one.link.client, one.call, struct.pack("!ii", TIMEOUT, 0) + _opaque(b""))

    def _hang_up(self, client: socket.socket) -> None:
        super()._hang_up(client)
        for number in [number for number, link in self._links.items() if link.client is client]:
            self._destroy(number)

    def _take(self, client: socket.socket, came: bytes) -> bytes:
        while len(came) >= 4:
            length = struct.unpack_from("!I", came)[0] & ~LAST  # in one fragment, on loopback
            if len(came) < 4 + length:
                break
            self._called(client, came[4 : 4 + length])
            came = came[4 + length :]
        return came

    def _called(self, client: socket.socket, record: bytes) -> None:
        call, _, _, program, _, procedure = struct.unpack_from("!6I", record)
        arguments = record[24:]
        for _ in range(2):  # credentials and verifier
            arguments = arguments[8 + _padded(struct.unpack_from("!4xI", arguments)[0]) :]
        if program == PORT_MAPPER and procedure == GET_PORT:
            _reply(client, call, struct.pack("!I", self.number))
        elif program != CORE:
            _reply(client, call, b"", NO_SUCH_PROGRAM)
        elif procedure == CREATE:
            number = next(self._numbers)
            self._links[number] = Link(client)
            _reply(client, call, struct.pack("!iiII", NO_ERROR, number, 0, MAX_RECEIVED))
        else:
            self._on_link(client, call, procedure, arguments)

    def _on_link(self, client: socket.socket, call: int, procedure: int, arguments: bytes) -> None:
        number, *words = struct.unpack_from(f"!{len(arguments) // 4}I", arguments)
        link = self._links.get(number)
        locked = self._locked_by not in (None, link)
        if link is None:
            _reply(client, call, struct.pack("!i8x", NO_SUCH_LINK))
        elif procedure == DESTROY:
            self._destroy(number)
            _reply(client, call, struct.pack("!i", NO_ERROR))
        elif procedure == WRITE:
            length = words[3]
            if not locked:
                self._written(link, words[2], arguments[20 : 20 + length])
            _reply(client, call, struct.pack("!iI", LOCKED if locked else NO_ERROR, length))
        elif procedure == READ and link.answers:
            _give(link, call, words[0])
        elif procedure == READ:
            self._waiting.append(Waiting(link, call, words[0], time.monotonic() + words[1] / 1000))
        elif procedure == STATUS and self._has_status:
            byte = MESSAGE_AVAILABLE if link.answers else 0
            _reply(client, call, struct.pack("!iI", NO_ERROR, byte))
        elif procedure == LOCK:
            self._locked_by = self._locked_by or link
            _reply(client, call, struct.pack("!i", LOCKED if locked else NO_ERROR))
        elif procedure == UNLOCK:
            held, self._locked_by = self._locked_by is link, None if not locked else self._locked_by
            _reply(client, call, struct.pack("!i", NO_ERROR if held else NO_LOCK))
        else:
            _reply(client, call, b"", NO_SUCH_PROCEDURE)

    def _written(self, link: Link, flags: int, data: bytes) -> None:
        link.message += data
        if flags & END_FLAG:
            if not self._keeps_unread:
                link.answers.clear()
            self._messages.put((link, link.message))
            link.message = b""

    def _destroy(self, number: int) -> None:
        link = self._links.pop(number)
        self._waiting = [one for one in self._waiting if one.link is not link]
        if self._locked_by is link:
            self._locked_by = None


def _give(link: Link, call: int, size: int) -> None:
    whole = link.answers.popleft()
    data, rest = whole[:size], whole[size:]
    if rest:
        link.answers.appendleft(rest)
    reason = COUNT_REASON if rest else END_REASON
    _reply(link.client, call, struct.pack("!ii", NO_ERROR, reason) + _opaque(data))


def _reply(client: socket.socket, call: int, results: bytes, status: int = SUCCESS) -> None:
    record = struct.pack("!6I", call, REPLY, ACCEPTED, 0, 0, status) + results
    client.sendall(struct.pack("!I", LAST | len(record)) + record)


def _opaque(data: bytes) -> bytes:
    return struct.pack("!I", len(data)) + data.ljust(_padded(len(data)), b"\0")


def _padded(length: int) -> int:
    return (length + 3) // 4 * 4
