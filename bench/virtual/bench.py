"""The whole virtual bench: a reader and its supplies, each behind its own serial port."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from bench.virtual.instrument import VirtualInstrument
from bench.virtual.junction import SenseSource
from bench.virtual.ports import FarEnd, far_end
from bench.virtual.reader import LineReader, Values
from bench.virtual.scenario import Unit
from bench.virtual.supply import ScpiSupply
from bench.virtual.world import World

SENSE = "sense"  # the instrument that reads a junction


class FastClock:
    """Seconds of the computer's clock times a speed, from 0."""

    def __init__(self, speed: float = 1.0) -> None:
        self._speed = speed
        self._start = time.monotonic()

    def __call__(self) -> float:
        return (time.monotonic() - self._start) * self._speed


@dataclass
class VirtualBench:
    """Instruments around one prototype; use it as a context, or close it."""

    world: World
    reader: VirtualInstrument
    supplies: dict[str, VirtualInstrument]
    sense: VirtualInstrument | None = None

    @property
    def supply(self) -> VirtualInstrument:
        """The supply, the first where there are several."""
        return next(iter(self.supplies.values()))

    @property
    def ports(self) -> dict[str, str]:
        """Port of each instrument by its name."""
        sense = {} if self.sense is None else {SENSE: self.sense.url}
        supplies = {name: one.url for name, one in self.supplies.items()}
        return {"reader": self.reader.url, **supplies, **sense}

    def close(self) -> None:
        """Take the instruments away."""
        self.reader.close()
        for supply in self.supplies.values():
            supply.close()
        if self.sense is not None:
            self.sense.close()

    def __enter__(self) -> VirtualBench:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def open_bench(
    unit: Unit,
    now_s: Callable[[], float],
    *,
    make_port: Callable[[str, Path | None], FarEnd] = far_end,
    folder: Path | None = None,
    write: Callable[[Values], str] | None = None,
    stream_every_s: float | None = None,
    step_s: float = 0.5,
) -> VirtualBench:
    """Set up the instruments.

    Args:
        unit: the prototype as made.
        now_s: bench time [s].
        make_port: kind of port.
        folder: where links to ptys are made; a temporary one each when None.
        write: the reader's line; separated by commas when None.
        stream_every_s: the reader streams that often [s, computer's clock]; None: it is asked.
        step_s: time step of the prototype [s].
    """
    world = World(unit, now_s, step_s)
    reader = LineReader(world.readings_degC, write)
    # The ports in a fixed order: with numbers of their own they follow each other.
    read = VirtualInstrument(reader, make_port("reader", folder), stream_every_s)
    supplies = {
        name: VirtualInstrument(
            ScpiSupply(supply, world.catch_up, world.meter_noise), make_port(name, folder)
        )
        for name, supply in world.supplies.items()
    }
    sense = None
    if unit.junction is not None:
        source = SenseSource(unit.junction, world.true_degC, unit.seed)
        sense = VirtualInstrument(source, make_port(SENSE, folder))
    return VirtualBench(world, read, supplies, sense)
