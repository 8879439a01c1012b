"""The far end of a serial port: a pty where there is such a thing, else a socket on loopback.

Both can be unplugged and plugged in again; a pty then has a new device number, as a real adapter
has, and the same link to it, as a by-id name is.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import sys
import tempfile
import threading
from pathlib import Path
from typing import Protocol

CHUNK = 65536
HAS_PTY = hasattr(os, "openpty") and sys.platform != "win32"


class FarEnd(Protocol):
    """What a virtual instrument holds of its port."""

    url: str  # what the rig names as `port`

    def receive(self, wait_s: float) -> bytes:
        """Bytes that came within so long [s]; empty when none did or nobody is connected."""
        ...

    def send(self, data: bytes) -> None:
        """Send; lost when nobody is connected, as on a real line."""
        ...

    def unplug(self) -> None:
        """Remove the device while a program has it open."""
        ...

    def replug(self) -> None:
        """Bring it back under the same name."""
        ...

    def close(self) -> None:
        """Unplug for good."""
        ...


def far_end(name: str, folder: Path | None = None) -> FarEnd:
    """A port of the kind this system has.

    Args:
        name: a word, part of the link's name.
        folder: where the link to a pty is made; a temporary folder when None.
    """
    return PtyEnd(name, folder) if HAS_PTY else SocketEnd()


class PtyEnd:
    """A pseudo terminal; `url` is a link to whatever device number it has now."""

    def __init__(self, name: str, folder: Path | None = None) -> None:
        self._own_folder = folder is None
        self._folder = folder or Path(tempfile.mkdtemp(prefix="heatrun-"))
        self._link = self._folder / name
        self.url = str(self._link)
        self._lock = threading.Lock()
        self._master = self._slave = -1
        self.replug()

    def replug(self) -> None:
        import tty

        with self._lock:
            if self._master >= 0:
                return
            self._master, self._slave = os.openpty()
            tty.setraw(self._slave)
            os.set_blocking(self._master, False)
            # Made beside and renamed over: the name never points at nothing while it is plugged in.
            fresh = self._link.with_name(f".{self._link.name}.new")
            fresh.symlink_to(os.ttyname(self._slave))
            fresh.replace(self._link)

    def unplug(self) -> None:
        with self._lock:
            for descriptor in (self._slave, self._master):
                if descriptor >= 0:
                    os.close(descriptor)
            self._master = self._slave = -1
            self._link.unlink(missing_ok=True)

    def close(self) -> None:
        self.unplug()
        if self._own_folder:
            with contextlib.suppress(OSError):
                self._folder.rmdir()

    def receive(self, wait_s: float) -> bytes:
        with contextlib.suppress(OSError, ValueError):
            if select.select([self._master], [], [], wait_s)[0]:
                with self._lock:
                    return os.read(self._master, CHUNK)
            return b""
        threading.Event().wait(min(wait_s, 0.01))
        return b""

    def send(self, data: bytes) -> None:
        # A full line (nobody reads) drops what does not fit, as a UART does.
        with self._lock, contextlib.suppress(OSError):
            while data:
                data = data[os.write(self._master, data) :]


class SocketEnd:
    """A TCP server on loopback for one client, reached as `socket://`."""

    def __init__(self, number: int = 0) -> None:
        """
        Args:
            number: of the TCP port; any free one when 0.
        """
        self._listener = socket.create_server(("127.0.0.1", number))
        self._address = self._listener.getsockname()
        self.url = f"socket://127.0.0.1:{self._address[1]}"
        self._client: socket.socket | None = None
        self._plugged = True

    def replug(self) -> None:
        if not self._plugged:
            self._listener = socket.create_server(self._address)
            self._plugged = True

    def unplug(self) -> None:
        self._plugged = False
        self._hang_up()
        self._listener.close()

    def close(self) -> None:
        self.unplug()

    def receive(self, wait_s: float) -> bytes:
        client = self._client
        try:
            if client is None:
                if select.select([self._listener], [], [], wait_s)[0]:
                    self._client = client = self._listener.accept()[0]
                    client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                return b""
            if not select.select([client], [], [], wait_s)[0]:
                return b""
            data = client.recv(CHUNK)
        except (OSError, ValueError):
            self._hang_up()
            threading.Event().wait(min(wait_s, 0.01))
            return b""
        if not data:
            self._hang_up()
        return data

    def send(self, data: bytes) -> None:
        client = self._client
        if client is not None:
            with contextlib.suppress(OSError):
                client.sendall(data)

    def _hang_up(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            with contextlib.suppress(OSError):
                client.shutdown(socket.SHUT_RDWR)
            client.close()


class PtyPair:
    """Two serial ports joined by a cable, for a server that wants to open a port itself."""

    def __init__(self) -> None:
        import tty

        self._masters: list[int] = []
        self._slaves: list[int] = []
        for _ in range(2):
            master, slave = os.openpty()
            tty.setraw(slave)
            os.set_blocking(master, False)
            self._masters.append(master)
            self._slaves.append(slave)
        self.near, self.far = (os.ttyname(slave) for slave in self._slaves)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._carry, daemon=True, name="pty pair")
        self._thread.start()

    def close(self) -> None:
        """Take both ends away."""
        self._stop.set()
        self._thread.join(timeout=2.0)
        for descriptor in (*self._slaves, *self._masters):
            os.close(descriptor)

    def _carry(self) -> None:
        one, other = self._masters
        while not self._stop.is_set():
            for source in select.select(self._masters, [], [], 0.05)[0]:
                with contextlib.suppress(OSError):
                    os.write(other if source == one else one, os.read(source, CHUNK))
