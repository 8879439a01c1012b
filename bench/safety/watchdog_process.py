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
import signal
import sys
import threading
import time
from itertools import count
from typing import Any

from bench.clock import monotonic_s

READY = b"ready\n"
ALIVE, POWER_ON, POWER_OFF = b".", b"+", b"-"
RETRY_S = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
GIVE_UP_S = 3600.0
WRITE_S = 2.0
POLL_S = 0.005
IGNORED = ("SIGINT", "SIGTERM", "SIGHUP", "SIGTSTP", "SIGPIPE", "SIGBREAK")


def main() -> None:
    """Orders come as one line of JSON on standard input, then one byte each for what goes on."""
    for name in IGNORED:
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    orders = json.loads(sys.stdin.buffer.readline())
    importlib.import_module("serial")
    said: queue.SimpleQueue[bytes] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(said,), daemon=True).start()
    os.write(sys.stdout.fileno(), READY)
    power_on, unsaid = False, None
    while True:
        try:
            byte = said.get(timeout=orders["patience_s"] if power_on else None)
        except queue.Empty:
            # The logger may yet wake up: while it lives, its events are its own to write.
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
        _tell(f"{why}: SWITCH THE POWER OFF BY HAND")
        return None
    started, problem = time.monotonic(), ""
    for attempt in count():
        try:
            switch_off(orders)
        except Exception as error:  # whatever it is: there is nobody else to try again
            problem = str(error) or type(error).__name__
        else:
            t_s = round(monotonic_s() - orders["origin_s"], 6)
            _tell(f"{why}; the watchdog has switched {orders['name']} off")
            return {"t_s": t_s, "event": "power_off", "by": "watchdog", "reason": why}
        if time.monotonic() - started > GIVE_UP_S:
            break
        time.sleep(RETRY_S[min(attempt, len(RETRY_S) - 1)])
    _tell(f"{why}, and {orders['name']} cannot be switched off ({problem}): DO IT BY HAND")
    return None


def switch_off(orders: dict[str, Any]) -> None:
    """Open the port, send the off commands, and have them confirmed. Raises when anything fails."""
    import serial

    # Not exclusive: a lock must not keep the power on, and a stopped logger still holds its own.
    with contextlib.closing(
        serial.serial_for_url(orders["port"], timeout=0, write_timeout=WRITE_S, **orders["line"])
    ) as port:
        for step in orders["steps"]:
            while port.read(4096):
                pass
            port.write(bytes.fromhex(step["send"]))
            _confirm(port, step)


def _confirm(port: Any, step: dict[str, Any]) -> None:
    """Wait for one of the step's answers, or just its rest where it has none."""
    answers = [bytes.fromhex(answer) for answer in step["answers"]]
    deadline = time.monotonic() + step["within_s"]
    came = b""
    while time.monotonic() < deadline:
        came += port.read(4096)
        lines = (
            [line.strip().upper() for line in came.split(b"\n")[:-1]] if step["text"] else [came]
        )
        if any(answer in lines for answer in answers):
            return
        time.sleep(POLL_S)
    if answers:
        raise OSError(f"not confirmed: {came[:40]!r} came")


def record(orders: dict[str, Any], event: dict[str, Any]) -> None:
    """Append to events.jsonl, so that the fit knows the edge; a torn last line is closed first."""
    with contextlib.suppress(OSError, TypeError), open(orders["events"], "r+b") as stream:
        size = stream.seek(0, os.SEEK_END)
        torn = size > 0 and (stream.seek(size - 1), stream.read(1))[1] != b"\n"
        stream.write(b"\n" * torn + json.dumps(event).encode() + b"\n")
        stream.flush()
        os.fsync(stream.fileno())


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
