"""The page's server: loopback only, five fixed addresses, nothing mapped to files.

Any web page that is open in a browser can send requests to 127.0.0.1. So a request is answered
only if it names this server in `Host` and, where a browser says so, comes from our own page.
"""

from __future__ import annotations

import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib.resources import files
from typing import Any

LOOPBACK = "127.0.0.1"
HEARTBEAT_S = 10.0
MOST_LISTENERS = 16
HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
        "img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}


class Board:
    """The latest state, for any number of listeners: each waits for a newer one than it has."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._number, self._text = 0, "{}"
        self._closed = False

    def post(self, text: str) -> None:
        """Put up a new state."""
        with self._changed:
            self._number, self._text = self._number + 1, text
            self._changed.notify_all()

    def close(self) -> None:
        """Let every listener go."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    def wait(self, number: int, patience_s: float) -> tuple[int, str | None]:
        """(its number, the state) once newer than `number`; (number, None) after `patience_s`.

        Raises:
            EOFError: the board is closed.
        """
        with self._changed:
            self._changed.wait_for(lambda: self._closed or self._number > number, patience_s)
            if self._closed:
                raise EOFError
            return (self._number, self._text) if self._number > number else (number, None)


class PageServer(ThreadingHTTPServer):
    """Serves the page of one board on 127.0.0.1."""

    daemon_threads = True
    allow_reuse_address = True

    def __init__(self, board: Board, port: int = 0) -> None:
        """Bind a port, a free one where it is 0. Raises OSError where it is taken."""
        super().__init__((LOOPBACK, port), Handler)
        self.board = board
        self.listeners = threading.BoundedSemaphore(MOST_LISTENERS)
        self.pages = _pages()

    @property
    def url(self) -> str:
        """Where to point a browser."""
        return f"http://{LOOPBACK}:{self.server_port}/"

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Nothing: a browser that goes away in the middle is no error of ours."""


class Handler(BaseHTTPRequestHandler):
    """One request."""

    server: PageServer
    protocol_version = "HTTP/1.1"
    server_version, sys_version = "heatrun", ""
    timeout = 30

    def do_GET(self) -> None:
        """The page, its style, its script, the present state or the stream of states."""
        self._answer(send_body=True)

    def do_HEAD(self) -> None:
        """As GET, without the body."""
        self._answer(send_body=False)

    def _answer(self, send_body: bool) -> None:
        if (problem := self._foreign()) is not None:
            self._send(403, "text/plain; charset=utf-8", problem.encode(), send_body)
        elif self.path == "/events" and send_body:
            self._stream()
        elif self.path == "/state":
            _, text = self.server.board.wait(-1, 0)
            self._send(200, "application/json", (text or "{}").encode(), send_body)
        elif (page := self.server.pages.get(self.path)) is not None:
            self._send(200, page[0], page[1], send_body)
        else:
            self._send(404, "text/plain; charset=utf-8", b"There is no such page.\n", send_body)

    def _foreign(self) -> str | None:
        """Why a request is not from our own page or its user; None where it is."""
        own = {f"{name}:{self.server.server_port}" for name in (LOOPBACK, "localhost")}
        if self.headers.get_all("Host") is None or len(self.headers.get_all("Host") or ()) != 1:
            return "A request names its host once.\n"
        if self.headers["Host"].lower() not in own:
            return f"This page is {self.server.url} and no other host.\n"
        origin = self.headers.get("Origin")
        if origin is not None and origin.lower() not in {f"http://{name}" for name in own}:
            return "Requests from other pages are refused.\n"
        if self.headers.get("Sec-Fetch-Site", "none") not in ("none", "same-origin"):
            return "Requests from other pages are refused.\n"
        return None

    def _send(self, status: int, kind: str, body: bytes, send_body: bool) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self._send_own_headers()
        if send_body:
            self.wfile.write(body)

    def _send_own_headers(self) -> None:
        for name, value in HEADERS.items():
            self.send_header(name, value)
        self.end_headers()

    def _stream(self) -> None:
        """Server-sent events, one a state, until the browser or the server goes."""
        if not self.server.listeners.acquire(blocking=False):
            self._send(503, "text/plain; charset=utf-8", b"Too many pages are open.\n", True)
            return
        try:
            self.close_connection = True
            self.send_response(200)
            self.send_header("Content-Type", "text/event-stream")
            self.send_header("Connection", "close")
            self._send_own_headers()
            self.wfile.write(b"retry: 1000\n\n")
            number = 0
            while True:
                number, text = self.server.board.wait(number, HEARTBEAT_S)
                self.wfile.write(b":\n\n" if text is None else f"data: {text}\n\n".encode())
                self.wfile.flush()
        except (OSError, EOFError):
            return
        finally:
            self.server.listeners.release()

    def log_message(self, *_: object) -> None:
        """Nothing: the terminal is the user's."""


def _pages() -> dict[str, tuple[str, bytes]]:
    """Address -> (content type, body): all there is to be had."""
    from fit.output.theme import css_variables

    here = files("bench.monitor")
    read = {name: (here / name).read_text(encoding="utf-8") for name in ("page.html", "page.js")}
    style = css_variables() + (here / "page.css").read_text(encoding="utf-8")
    return {
        "/": ("text/html; charset=utf-8", read["page.html"].encode()),
        "/page.js": ("text/javascript; charset=utf-8", read["page.js"].encode()),
        "/page.css": ("text/css; charset=utf-8", style.encode()),
    }
