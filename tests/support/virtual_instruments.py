"""Virtual instruments for tests: made values behind real ports, read by the real drivers."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from bench.clock import RealClock
from bench.instruments import open_driver, settings_class
from bench.instruments.base import Driver, Reading
from bench.virtual.instrument import VirtualInstrument
from bench.virtual.ports import HAS_PTY, FarEnd, PtyEnd, SocketEnd

NODES = ("tab", "board_back", "bar", "case", "ambient")
MADE = {"tab": 61.25, "board_back": 42.5, "bar": 41.0, "case": 37.125, "ambient": 23.0}

SUPPLY = {
    "queries": {"supply_V": "MEAS:VOLT?", "supply_A": "MEAS:CURR?"},
    "limits": {"VOLT:PROT": 13.0, "CURR:PROT": 0.6},
    "switch": {"on": ["VOLT 12", "CURR 0.5", "OUTP ON"], "off": ["OUTP OFF"]},
}

PORTS: list[Any] = [
    pytest.param(
        PtyEnd, id="pty", marks=pytest.mark.skipif(not HAS_PTY, reason="this system has no pty")
    ),
    pytest.param(lambda name: SocketEnd(), id="socket"),
]


@contextmanager
def served(
    behaviour: Any,
    make_port: Callable[[str], FarEnd] = PtyEnd if HAS_PTY else lambda name: SocketEnd(),
    stream_every_s: float | None = None,
) -> Iterator[VirtualInstrument]:
    """A virtual instrument while the block lasts."""
    with VirtualInstrument(behaviour, make_port("made"), stream_every_s) as instrument:
        yield instrument


@contextmanager
def driver(kind: str, port: str, **keys: Any) -> Iterator[Driver]:
    """The opened driver of that kind on a port."""
    settings = settings_class(kind).model_validate(
        {"name": "made", "driver": kind, "port": port, "reply_s": 0.3, **keys}
    )
    made = open_driver(settings, RealClock())
    made.open()
    try:
        yield made
    finally:
        made.close()


def next_reading(made: Driver, attempts: int = 20) -> Reading:
    """The next reading that is one."""
    for _ in range(attempts):
        if (reading := made.read()) is not None:
            return reading
    raise AssertionError(f"no reading in {attempts} attempts; bad lines: {made.take_bad_lines()}")


def read_on(here: Driver) -> None:
    """Read, whatever comes, until something ends it."""
    for _ in range(100):
        here.read()
