"""The heat run on the screen: a live view in a terminal, plain lines elsewhere."""

from __future__ import annotations

import contextlib
import math
import sys
import threading
from collections import deque
from typing import IO, TYPE_CHECKING

from bench.status import Estimate, NoView, Status, View
from fit.notation import digits, fixed, with_expanded

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

REDRAW_S = 0.5
LINE_EVERY_S = 60.0  # of record time, where lines are written
EVENTS_SHOWN = 6


def open_view(stream: IO[str] | None = None, quiet: bool = False) -> View:
    """The live view on a terminal, plain lines on anything else.

    Args:
        stream: standard error when None: standard output is for the run folder.
        quiet: only what somebody must act on.
    """
    stream = stream or sys.stderr
    if quiet:
        return OnlyLoud(stream)
    if not stream.isatty():
        return Lines(stream)
    from rich.console import Console

    return Live(Console(file=stream))


def clock_text(seconds: float | None) -> str:
    """Time left in words.

    >>> clock_text(4325), clock_text(59.6), clock_text(None)
    ('1 h 12 min', '60 s', 'not known yet')
    """
    if seconds is None or not math.isfinite(seconds):
        return "not known yet"
    if seconds < 120:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


class Lines:
    """A line each minute and at each event."""

    def __init__(self, stream: IO[str]) -> None:
        self._stream = stream
        self._due_s = -math.inf

    def show(self, status: Status) -> None:
        scan = status.scan
        if scan.t_s < self._due_s:
            return
        self._due_s = scan.t_s + LINE_EVERY_S
        nodes = "  ".join(f"{node} {fixed(v, 2)}" for node, v in scan.temperature_degC.items())
        self._print(
            f"{scan.t_s:8.1f} s  {status.phase:<10} {nodes} degC  {fixed(scan.power_W, 3)} W"
            f"  left {clock_text(status.phase_left_s)}"
        )

    def say(self, text: str, loud: bool = False) -> None:
        self._print(f"\a*** {text} ***" if loud else text)

    def close(self) -> None:
        pass

    def _print(self, line: str) -> None:
        # Where the terminal is gone, the run goes on all the same.
        with contextlib.suppress(OSError, ValueError):
            print(line, file=self._stream, flush=True)


class OnlyLoud(NoView):
    """Nothing but what somebody must act on."""

    def __init__(self, stream: IO[str]) -> None:
        self._lines = Lines(stream)

    def say(self, text: str, loud: bool = False) -> None:
        if loud:
            self._lines.say(text, loud)


class Live:
    """Everything at a glance, drawn by a thread of its own at most twice a second."""

    def __init__(self, console: Console) -> None:
        from rich.live import Live as Screen

        self._status: Status | None = None
        self._events: deque[tuple[str, bool]] = deque(maxlen=EVENTS_SHOWN)
        self._done = threading.Event()
        self._console = console
        self._screen = Screen(console=console, auto_refresh=False)
        self._screen.start()
        self._thread = threading.Thread(target=self._draw, daemon=True, name="view")
        self._thread.start()

    def show(self, status: Status) -> None:
        self._status = status

    def say(self, text: str, loud: bool = False) -> None:
        self._events.append((text, loud))
        if loud:
            self._console.bell()

    def close(self) -> None:
        if self._done.is_set():
            return
        self._done.set()
        self._thread.join(2.0)
        with contextlib.suppress(OSError, ValueError):
            self._refresh()
            self._screen.stop()

    def _draw(self) -> None:
        while not self._done.wait(REDRAW_S):
            try:
                self._refresh()
            except (OSError, ValueError):
                return  # the terminal has gone; the run goes on

    def _refresh(self) -> None:
        self._screen.update(picture(self._status, list(self._events)), refresh=True)


def picture(status: Status | None, events: list[tuple[str, bool]]) -> RenderableType:
    """The whole view."""
    from rich.console import Group
    from rich.text import Text

    parts: list[RenderableType] = []
    if status is None:
        parts.append(Text("opening the instruments"))
    else:
        parts += [_headline(status), _temperatures(status)]
        if status.estimate is not None and status.estimate.spans:
            parts.append(_spans(status.estimate))
    for text, loud in events:
        parts.append(Text(f"!! {text} !!" if loud else text, style="bold red" if loud else "dim"))
    parts.append(
        Text("Hot parts, live supply: stay with it. Ctrl-C switches off and ends.", style="dim")
    )
    return Group(*parts)


def _headline(status: Status) -> RenderableType:
    from rich.text import Text

    power = f"power {'ON' if status.power_on else 'off'} {fixed(status.scan.power_W, 3)} W"
    return Text.assemble(
        (status.phase, "bold"),
        f"   {status.scan.t_s:.0f} s   left: {clock_text(status.phase_left_s)}   ",
        (power, "bold red" if status.power_on else "green"),
        f"   {status.scans} scans",
    )


def _temperatures(status: Status) -> RenderableType:
    from rich.table import Table

    table = Table(box=None, pad_edge=False)
    table.add_column("node")
    for heading in ("degC", "K/min", "settles at degC"):
        table.add_column(heading, justify="right")
    final = status.estimate.final_degC if status.estimate else {}
    for node, value in status.scan.temperature_degC.items():
        slope = status.slope_K_per_min.get(node, math.nan)
        settled = fixed(final.get(node), 1)
        table.add_row(node, fixed(value, 2), fixed(slope, 2, sign=True), settled)
    return table


def _spans(estimate: Estimate) -> RenderableType:
    from rich.table import Table

    colour = {"conforming": "green", "non-conforming": "red"}
    table = Table(box=None, pad_edge=False)
    table.add_column("span")
    for heading in ("K/W (k = 2)", "limit"):
        table.add_column(heading, justify="right")
    table.add_column("so far")
    for span in estimate.spans:
        decision = span.decision or ""
        style = colour.get(decision, "")
        table.add_row(
            span.name,
            with_expanded(span.R_K_per_W, span.u_K_per_W) if span.resolved else "not resolved yet",
            digits(span.limit_K_per_W),
            f"[{style}]{decision}[/]" if style else decision,
        )
    return table
