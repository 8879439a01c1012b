"""A headless Chromium for tests, driven over plain HTTP (W3C WebDriver) through chromedriver."""

from __future__ import annotations

import base64
import contextlib
import json
import shutil
import socket
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
]


class Browser:
    """One session; every method is one WebDriver command."""

    def __init__(self, driver_url: str, profile: Path, flags: list[str]) -> None:
        self._url = driver_url
        options = {
            "args": [*FLAGS, *flags, f"--user-data-dir={profile}"],
            "binary": shutil.which("chromium") or shutil.which("google-chrome"),
        }
        capabilities = {
            "browserName": "chrome",
            "goog:chromeOptions": options,
            "goog:loggingPrefs": {"performance": "ALL", "browser": "ALL"},
        }
        answer = self._call("POST", "/session", {"capabilities": {"alwaysMatch": capabilities}})
        self._session = f"/session/{answer['sessionId']}"

    def _call(self, method: str, path: str, body: dict[str, Any] | None = None) -> Any:
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(self._url + path, data, method=method)
        request.add_header("Content-Type", "application/json")
        try:
            with urllib.request.urlopen(request, timeout=60) as answer:
                return json.load(answer)["value"]
        except urllib.error.HTTPError as error:
            raise AssertionError(error.read().decode()) from error

    def open(self, url: str) -> None:
        """Go to a page and wait for its load event."""
        self._call("POST", self._session + "/url", {"url": url})

    def run(self, script: str) -> Any:
        """What a script returns."""
        return self._call("POST", self._session + "/execute/sync", {"script": script, "args": []})

    def run_until_done(self, script: str) -> Any:
        """What a script hands to the function that is its last argument."""
        body = {"script": script, "args": []}
        return self._call("POST", self._session + "/execute/async", body)

    def devtools(self, command: str, **parameters: object) -> Any:
        """A command of the browser's own protocol."""
        body = {"cmd": command, "params": parameters}
        return self._call("POST", self._session + "/goog/cdp/execute", body)

    def press(self, keys: str) -> None:
        """Press keys one after the other."""
        actions = [{"type": kind, "value": key} for key in keys for kind in ("keyDown", "keyUp")]
        body = {"actions": [{"type": "key", "id": "keyboard", "actions": actions}]}
        self._call("POST", self._session + "/actions", body)

    def prefer(self, scheme: str) -> None:
        """Be a reader whose system is light, or dark."""
        feature = {"name": "prefers-color-scheme", "value": scheme}
        self.devtools("Emulation.setEmulatedMedia", features=[feature])

    def resize(self, width: int, height: int) -> None:
        """Make the page so many CSS pixels large."""
        self.devtools(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )

    def picture(self, path: Path) -> None:
        """The whole page as PNG."""
        shot = self.devtools("Page.captureScreenshot", captureBeyondViewport=True)
        path.write_bytes(base64.b64decode(shot["data"]))

    def requested(self) -> list[str]:
        """Addresses asked for since the last look."""
        entries = self._call("POST", self._session + "/se/log", {"type": "performance"})
        messages = [json.loads(entry["message"])["message"] for entry in entries]
        return [
            message["params"]["request"]["url"]
            for message in messages
            if message["method"] == "Network.requestWillBeSent"
        ]

    def complaints(self) -> list[str]:
        """What the page wrote to the console since the last look."""
        entries = self._call("POST", self._session + "/se/log", {"type": "browser"})
        return [entry["message"] for entry in entries]

    def quit(self) -> None:
        """End the session."""
        self._call("DELETE", self._session)


@contextlib.contextmanager
def browser(profile: Path, *flags: str) -> Iterator[Browser]:
    """A browser with an empty profile; the test is skipped where there is none."""
    driver = shutil.which("chromedriver")
    if driver is None or not (shutil.which("chromium") or shutil.which("google-chrome")):
        pytest.skip("needs Chromium and chromedriver")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with subprocess.Popen(
        [driver, f"--port={port}"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as process:
        try:
            wait_until(lambda: _listens(port), "chromedriver to listen")
            session = Browser(f"http://127.0.0.1:{port}", profile, list(flags))
            try:
                yield session
            finally:
                session.quit()
        finally:
            process.terminate()


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def wait_until(true: Callable[[], Any], what: str, patience_s: float = 30.0) -> Any:
    """What `true` returns once it is true; fails after a while, saying what was waited for."""
    deadline = time.monotonic() + patience_s
    while not (value := true()):
        if time.monotonic() > deadline:
            raise AssertionError(f"waited {patience_s:g} s for {what}")
        time.sleep(0.05)
    return value
