"""The far end of an instrument bus on the network: several clients, one message at a time."""

from __future__ import annotations

import contextlib
import queue
import select
import socket
import threading
from typing import Any

CHUNK = 65536
TICK_S = 0.02


class LanEnd:
    """A TCP server that keeps the `FarEnd` protocol of `bench/virtual/ports.py`.

    As in an instrument, the bus is served beside whatever the instrument is at. A kind says with
    `_take` how bytes become messages, and with `_answer` how an answer goes back.
    """

    def __init__(self, resource: str) -> None:
        """
        Args:
            resource: the VISA resource's name, with {} for the number of its TCP port.
        """
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._address = self._listener.getsockname()
        self.number = int(self._address[1])
        self.url = resource.format(self.number)
        self._messages: queue.SimpleQueue[tuple[Any, bytes]] = queue.SimpleQueue()
        self._came: dict[socket.socket, bytes] = {}
        self._asker: Any = None  # whose message was received last
        self._lock = threading.RLock()
        self._plugged = False
        self.replug()

    def replug(self) -> None:
        if self._plugged:
            return
        if self._listener.fileno() < 0:
            self._listener = socket.create_server(self._address)
        self._plugged = True
        self._thread = threading.Thread(target=self._serve, daemon=True, name=f"bus {self.url}")
        self._thread.start()

    def unplug(self) -> None:
        self._plugged = False
        self._thread.join(timeout=2.0)
        with self._lock:
            for client in list(self._came):
                self._hang_up(client)
            self._listener.close()

    def close(self) -> None:
        self.unplug()

    def receive(self, wait_s: float) -> bytes:
        """The next message of any client, ended by a new line."""
        try:
            self._asker, message = self._messages.get(timeout=wait_s)
        except queue.Empty:
            return b""
        return message.rstrip(b"\n") + b"\n"

    def send(self, data: bytes) -> None:
        """The answer to the message received last."""
        with self._lock, contextlib.suppress(OSError):
            self._answer(data)

    def _take(self, client: socket.socket, came: bytes) -> bytes:
        """Deal with what is whole; gives the rest."""
        raise NotImplementedError

    def _answer(self, data: bytes) -> None:
        raise NotImplementedError

    def _tick(self) -> None:
        """Now and then."""

    def _hang_up(self, client: socket.socket) -> None:
        self._came.pop(client, None)
        with contextlib.suppress(OSError):
            client.shutdown(socket.SHUT_RDWR)
        client.close()

    def _serve(self) -> None:
        while self._plugged:
            ready = select.select([self._listener, *self._came], [], [], TICK_S)[0]
            with self._lock:
                for one in ready:
                    if one is self._listener:
                        client = one.accept()[0]
                        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                        self._came[client] = b""
                    else:
                        self._read(one)
                self._tick()

    def _read(self, client: socket.socket) -> None:
        try:
            data = client.recv(CHUNK)
            if data:
                self._came[client] = self._take(client, self._came[client] + data)
            else:
                self._hang_up(client)
        except OSError:
            self._hang_up(client)
