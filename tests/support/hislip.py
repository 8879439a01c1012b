"""A HiSLIP server for one virtual instrument (IVI-6.1, High-Speed LAN Instrument Protocol).

Synchronized mode, without locks, service requests or device clear. Message types and the header are
those of IVI-6.1, 2.4 and table 4 (from memory, and as pyvisa-py, the client, has them).
"""

from __future__ import annotations

import socket
import struct
from dataclasses import dataclass
from itertools import count

from tests.support.lan_end import LanEnd

HEADER = struct.Struct("!2sBBIQ")  # prologue, type, control code, parameter, length of the payload
INITIALIZE, INITIALIZE_RESPONSE, ERROR, DATA, DATA_END = 0, 1, 3, 6, 7
MAX_SIZE, MAX_SIZE_RESPONSE, ASYNC_INITIALIZE, ASYNC_INITIALIZE_RESPONSE = 15, 16, 17, 18
STATUS_QUERY, STATUS_RESPONSE = 21, 22
UNRECOGNIZED_TYPE = 1
MESSAGE_AVAILABLE = 1 << 4


@dataclass
class Session:
    """One client, and what is under way."""

    channel: socket.socket  # the synchronous one
    message: bytes = b""
    message_id: int = 0  # of its message taken last
    unread: bool = False  # it was sent an answer and has not said that it has read it


class HislipEnd(LanEnd):
    """The far end of `TCPIP0::127.0.0.1::hislip0,PORT::INSTR`."""

    def __init__(self, piece: int = 1 << 20) -> None:
        """
        Args:
            piece: answers are cut into messages of so many bytes.
        """
        self._piece = piece
        self._sessions: dict[int, Session] = {}
        self._session_of: dict[socket.socket, Session] = {}  # of either of its channels
        self._numbers = count(1)
        super().__init__("TCPIP0::127.0.0.1::hislip0,{}::INSTR")  # last: it begins to serve

    def _answer(self, data: bytes) -> None:
        session, message_id = self._asker
        session.unread = True
        *pieces, last = [data[at : at + self._piece] for at in range(0, len(data), self._piece)]
        for piece in pieces:
            _tell(session.channel, DATA, 0, message_id, piece)
        _tell(session.channel, DATA_END, 0, message_id, last)

    def _take(self, client: socket.socket, came: bytes) -> bytes:
        while len(came) >= HEADER.size:
            _, kind, control, parameter, length = HEADER.unpack_from(came)
            end = HEADER.size + length
            if len(came) < end:
                break
            self._deal_with(client, kind, control, parameter, came[HEADER.size : end])
            came = came[end:]
        return came

    def _deal_with(
        self, client: socket.socket, kind: int, control: int, parameter: int, payload: bytes
    ) -> None:
        if kind == INITIALIZE:
            number = next(self._numbers)
            self._sessions[number] = self._session_of[client] = Session(client)
            _tell(client, INITIALIZE_RESPONSE, 0, 0x0100 << 16 | number)
        elif kind == ASYNC_INITIALIZE:
            self._session_of[client] = self._sessions[parameter]
            _tell(client, ASYNC_INITIALIZE_RESPONSE, 0, 0)
        elif kind == MAX_SIZE:
            _tell(client, MAX_SIZE_RESPONSE, 0, 0, struct.pack("!Q", 1 << 20))
        elif kind == STATUS_QUERY:
            session = self._session_of[client]
            session.unread = session.unread and not control
            _tell(client, STATUS_RESPONSE, MESSAGE_AVAILABLE * session.unread, 0)
        elif kind in (DATA, DATA_END):
            session = self._session_of[client]
            session.message += payload
            if kind == DATA_END:
                self._messages.put(((session, parameter), session.message))
                session.message, session.unread = b"", False
        else:
            _tell(client, ERROR, UNRECOGNIZED_TYPE, 0)


def _tell(
    channel: socket.socket, kind: int, control: int, parameter: int, payload: bytes = b""
) -> None:
    channel.sendall(HEADER.pack(b"HS", kind, control, parameter, len(payload)) + payload)
