"""A small process that switches the power off when the logger dies, in any way: `kill -9` too.

It is started before the power goes on and holds one end of a pipe. When the pipe ends without the
logger having said that the power is off, it opens the supply's port and sends the off commands,
again and again until they are confirmed. It does the same when the logger stops giving signs of
life (stopped with Ctrl-Z, hung) while the power is on.

What it cannot do: it is a program on the same computer, behind the same cable. With a power cut to
the computer, a crash of its operating system, a cable pulled or a supply that no longer listens,
the power stays as it is. Only a cut-out in hardware (a thermal switch in the supply line, the
supply's own protection) helps against those.

Imports nothing heavy, so that it is ready in a moment and needs little to stay alive. Its orders
come from `bench.safety.watchdog_client`.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import queue
import re
import signal
import sys
import threading
import time
from itertools import count
from pathlib import Path
from typing import Any

from bench.clock import monotonic_s
from bench.instruments.visa import VisaPort, is_resource, load
from fit.records.appended import append_line

READY = b"ready\n"
ALIVE, POWER_ON, POWER_OFF = b".", b"+", b"-"
RETRY_S = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
GIVE_UP_S = 3600.0
SAY_EVERY_S = 10.0
WRITE_S = 2.0
REPEAT_S = 0.25  # between two rounds: an order that was ignored is given again well within 2 s
UNANSWERED_ROUNDS = 8  # where nothing reads it back: 2 s of OFF
PATIENCE_S = 2.0  # beyond an answer's own time; then the port is opened anew
POLL_S = 0.005
IGNORED = ("SIGINT", "SIGTERM", "SIGHUP", "SIGTSTP", "SIGPIPE", "SIGBREAK")


def main() -> None:
    """Orders come as one line of JSON on standard input, then one byte each for what goes on."""
    for name in IGNORED:
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    orders = json.loads(sys.stdin.buffer.readline())
    _load(orders["port"])
    said: queue.SimpleQueue[bytes] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(said,), daemon=True).start()
    os.write(sys.stdout.fileno(), READY)
    power_on, unsaid = False, None
    while True:
        try:
            byte = said.get(timeout=orders["patience_s"] if power_on else None)
        except queue.Empty:
            # The logger may resume: while its process lives, only it writes events.
            why = f"the logger gave no sign of life for {orders['patience_s']:g} s"
            power_on, unsaid = False, take_over(orders, why)
            continue
        if not byte:
            break
        if byte != ALIVE:
            power_on, unsaid = byte == POWER_ON, None
    if power_on:
        unsaid = take_over(orders, "the logger ended with the power on")
    if unsaid is not None:
        record(orders, unsaid)


def take_over(orders: dict[str, Any], why: str) -> dict[str, Any] | None:
    """Switch off until it is confirmed, and say so on standard error.

    Returns:
        The line for events.jsonl; None when the power could not be switched off.
    """
    if orders["port"] is None:
        _tell(f"{why}: SWITCH {orders['name'].upper()} OFF BY HAND")
        return None
    started, said = time.monotonic(), -SAY_EVERY_S
    for attempt in count():
        try:
            switch_off(orders)
        except Exception as error:  # whatever it is: there is nobody else to try again
            problem = str(error) or type(error).__name__
        else:
            t_s = round(monotonic_s() - orders["origin_s"], 6)
            _tell(f"{why}; the watchdog has switched {orders['name']} off")
            return {"t_s": t_s, **orders["event"], "reason": why}
        tried_s = time.monotonic() - started
        if tried_s > GIVE_UP_S:
            break
        if tried_s - said >= SAY_EVERY_S:
            said = tried_s
            yet = f"{orders['name']} is not off yet ({problem})"
            _tell(f"\a{why}, and {yet}: SWITCH IT OFF BY HAND")
        time.sleep(RETRY_S[min(attempt, len(RETRY_S) - 1)])
    _tell(f"\a{why}, and {orders['name']} cannot be switched off ({problem}): DO IT BY HAND")
    return None


def switch_off(orders: dict[str, Any]) -> None:
    """Open the port and send the off commands, round after round, until they are confirmed.

    A round does not wait for the answers to the one before: a slow supply hears OFF again all the
    same. Where nothing reads it back, OFF is said a few times. Raises when anything fails.
    """
    steps = orders["steps"]
    answered = [step for step in steps if step["answers"]]
    patience_s = PATIENCE_S + max((step["within_s"] for step in answered), default=0.0)
    with contextlib.closing(_open(orders)) as port:
        exchange = _Exchange(port)
        for number in count():
            for step in steps:
                if not (step["every_other"] and number % 2):
                    exchange.send(step)
            exchange.listen(REPEAT_S)
            if all(step["send"] in exchange.confirmed for step in answered) and (
                answered or number + 1 >= UNANSWERED_ROUNDS
            ):
                return
            if answered and time.monotonic() > exchange.began_s + patience_s:
                raise OSError(f"not confirmed: {exchange.last[:40]!r} came")


def _load(port: str | None) -> None:
    """What opening the port needs, while there is time; what fails here is met again then."""
    importlib.import_module("serial")
    if port is not None and is_resource(port):
        with contextlib.suppress(OSError):
            load()


def _open(orders: dict[str, Any]) -> Any:
    # Not exclusive: a lock must not keep the power on, and a stopped logger still holds its own.
    import serial

    if is_resource(orders["port"]):
        terminator = orders["terminator"].encode()
        return VisaPort(orders["port"], orders["line"], orders["reply_s"], terminator)
    return serial.serial_for_url(orders["port"], timeout=0, write_timeout=WRITE_S, **orders["line"])


class _Exchange:
    """What has been sent over the port, and which steps have been confirmed."""

    def __init__(self, port: Any) -> None:
        self.confirmed: set[str] = set()
        self.last = b""
        self.began_s = time.monotonic()
        self._port = port
        self._asked: dict[str, Any] | None = None  # a step whose line is still to come
        self._asked_s = 0.0
        self._came = b""
        while port.read(4096):
            pass

    def send(self, step: dict[str, Any]) -> None:
        """Send a step; one that is answered with a line not while its line is still to come."""
        now = time.monotonic()
        if self._asked is step and now - self._asked_s < step["within_s"]:
            return
        self._port.write(bytes.fromhex(step["send"]))
        if step["answers"]:
            self._asked, self._asked_s = step, now
            self._came = self._came if step["text"] else b""
            self.listen(0.0 if step["text"] else REPEAT_S)
        else:
            self.listen(step["within_s"])
        if not step["text"]:
            self._asked = None

    def listen(self, for_s: float) -> None:
        """Take in what comes; returns early with what was waited for."""
        deadline = time.monotonic() + for_s
        while True:
            self._came += self._port.read(4096)
            if self._take() or time.monotonic() >= deadline:
                return
            time.sleep(POLL_S)

    def _take(self) -> bool:
        """Whether the step last asked has just been confirmed."""
        step = self._asked
        answers = [bytes.fromhex(answer) for answer in step["answers"]] if step else []
        if step is None or step["text"]:
            # Ended by whatever: an answer that is not understood would leave the power "not off".
            *ended, self._came = re.split(rb"[\r\n]", self._came)
            lines = [line.strip() for line in ended if line.strip()]
        else:
            lines = []
        if step is None or (step["text"] and not lines):
            return False
        self.last = lines[-1] if lines else self._came or self.last
        heard = [self.last.upper()] if step["text"] else [a for a in answers if a in self._came]
        told = any(answer in heard for answer in answers)
        (self.confirmed.add if told else self.confirmed.discard)(step["send"])
        if told or step["text"]:
            self._asked = None
        return told


def record(orders: dict[str, Any], event: dict[str, Any]) -> None:
    """Append to events.jsonl, so that the fit knows the edge; a torn last line is closed first."""
    with contextlib.suppress(OSError, TypeError):
        append_line(Path(orders["events"]), json.dumps(event).encode())


def _tell(text: str) -> None:
    with contextlib.suppress(OSError, ValueError):
        print(f"heatrun: {text}", file=sys.stderr, flush=True)


def _listen(said: queue.SimpleQueue[bytes]) -> None:
    while True:
        chunk = os.read(0, 4096)
        for byte in chunk:
            said.put(bytes((byte,)))
        if not chunk:
            said.put(b"")
            return


if __name__ == "__main__":
    main()
