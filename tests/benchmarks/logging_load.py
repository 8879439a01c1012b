"""What logging costs: `python -m tests.benchmarks.logging_load [stream|jitter|memory] [SECONDS]`.

stream: 2,000 lines/s from one instrument; CPU of the station's thread as a share of one core.
jitter: 8 instruments on ptys at 10 scans/s; 95th percentile of |interval - 0.1 s|.
memory: resident size over a million scans on the lock-step clock, instruments made of code.
"""

from __future__ import annotations

import io
import multiprocessing
import os
import resource
import sys
import tempfile
import time
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np

from bench.acquisition.run_loop import heat_run
from bench.acquisition.station import InstrumentWorker
from bench.clock import LockStepClock, RealClock
from bench.instruments import settings_class
from bench.instruments.base import Reading
from bench.rig.schema import Rig, rig_from
from bench.virtual.ports import PtyEnd
from fit.records.run import read_run

LINES_PER_S = 2000
INSTRUMENTS = 8
SCANS_PER_S = 10


def stream(seconds: float) -> None:
    """Share of a core for one fast stream, and whether any line was lost."""
    here, there = multiprocessing.Pipe()
    process = multiprocessing.get_context("spawn").Process(target=_send, args=(there, seconds))
    process.start()
    settings = settings_class("line").model_validate(
        {"name": "fast", "driver": "line", "port": here.recv(), "fields": ["n", "a", "b", "c"]}
    )
    driver = _Counting(settings)
    station = InstrumentWorker(settings, RealClock(), driver=driver)
    station.start()
    station.wait_open()
    before, started = time.process_time(), time.monotonic()
    here.send("go")
    while driver.newest < seconds * LINES_PER_S - 1 and time.monotonic() - started < 2 * seconds:
        time.sleep(0.5)
    share = (time.process_time() - before) / (time.monotonic() - started)
    station.close()
    process.join()
    # The first line after opening is left out by the driver: it may be half a line.
    lost = int(driver.newest - driver.first) + 1 - driver.lines
    print(
        f"stream: {driver.lines} lines in {seconds:g} s at {LINES_PER_S} lines/s, "
        f"{lost} lost after the first, ",
        end="",
    )
    print(f"{100 * share:.1f} % of one core")


class _Counting:
    """The line driver, and what it let through."""

    def __init__(self, settings: Any) -> None:
        from bench.instruments.line import Instrument

        self._driver = Instrument(settings, RealClock())
        self.lines, self.first, self.newest = 0, -1.0, -1.0
        self.open, self.close = self._driver.open, self._driver.close
        self.take_bad_lines, self.switch = self._driver.take_bad_lines, self._driver.switch

    def read(self) -> Reading | None:
        reading = self._driver.read()
        if reading is not None:
            self.newest = reading.values["n"]
            self.first = self.newest if self.lines == 0 else self.first
            self.lines += 1
        return reading


def _send(pipe: Connection, seconds: float) -> None:
    """A fast instrument, in a process of its own."""
    port = PtyEnd("fast")
    pipe.send(port.url)
    pipe.recv()
    started, sent = time.monotonic(), 0
    while sent < seconds * LINES_PER_S:
        due = min(int((time.monotonic() - started) * LINES_PER_S), int(seconds * LINES_PER_S))
        port.send(b"".join(b"%d,23.0625,24.1250,25.5000\n" % n for n in range(sent, due)))
        sent = due
        time.sleep(0.002)
    time.sleep(1.0)
    port.close()


def jitter(seconds: float) -> None:
    """Interval jitter with eight polled instruments."""
    context = multiprocessing.get_context("spawn")
    here, there = multiprocessing.Pipe()
    process = context.Process(target=_serve, args=(there,), daemon=True)
    process.start()
    rig = _rig(here.recv(), 1.0 / SCANS_PER_S, seconds)
    with tempfile.TemporaryDirectory() as place:
        before = time.process_time()
        heat_run(
            rig,
            clock=RealClock(),
            folder=Path(place) / "run",
            keyboard=io.StringIO("\n\n"),
        )
        share = (time.process_time() - before) / seconds
        record = read_run(Path(place) / "run")
    here.send("stop")
    process.join()
    off_ms = 1000 * np.abs(np.diff(record.t_s) - 1.0 / SCANS_PER_S)
    full = np.isfinite(record.temperature_degC).all(axis=1).mean()
    p50, p95, p99 = np.percentile(off_ms, [50, 95, 99])
    print(
        f"jitter: {len(record.t_s)} scans of {INSTRUMENTS} instruments, {100 * full:.2f} % of them "
        f"complete; |interval - 100 ms| p50 {p50:.2f}, p95 {p95:.2f}, p99 {p99:.2f}, "
        f"max {off_ms.max():.1f} ms; {100 * share:.1f} % of one core"
    )


def _serve(pipe: Connection) -> None:
    """Eight readers on ptys, in a process of their own."""
    from bench.virtual.instrument import VirtualInstrument

    class Steady:
        def unasked(self) -> str | None:
            return None

        def answer(self, line: str, faults: object) -> str:
            return "23.0625"

    made = [VirtualInstrument(Steady(), PtyEnd(f"reader{n}")) for n in range(INSTRUMENTS)]
    pipe.send([one.url for one in made])
    pipe.recv()
    for one in made:
        one.close()


def _rig(ports: list[str], interval_s: float, seconds: float) -> Rig:
    return rig_from(
        {
            "schema": 1,
            "instrument": [
                {"name": f"r{n}", "driver": "line", "port": port, "query": "?", "fields": ["t"]}
                for n, port in enumerate(ports)
            ],
            "channel": [
                {"node": f"n{n}", "instrument": f"r{n}", "field": "t"} for n in range(len(ports))
            ],
            "power": {"source": "stated", "power_W": 4.2, "switch": "operator"},
            "sequence": {
                "interval_s": interval_s,
                "soak_s": seconds,
                "heat_s": interval_s,
                "heat_until": "time",
            },
        },
        "rig.toml",
    )


def memory(scans: float) -> None:
    """Resident size early and late in a long run."""
    from bench.acquisition import station

    class Made:
        def __init__(self, settings: Any, clock: Any) -> None:
            self._clock = clock

        def open(self) -> None: ...
        def close(self) -> None: ...
        def switch(self, on: bool) -> None: ...

        def take_bad_lines(self) -> list[str]:
            return []

        def read(self) -> Reading:
            return Reading(self._clock.now_s(), {"t": 23.0})

    sizes: list[float] = []
    clock = _Sampled(scans, sizes)
    station.open_driver = Made  # type: ignore[assignment]
    with tempfile.TemporaryDirectory() as place:
        heat_run(
            _rig(["x"], 1.0, scans),
            clock=clock,
            folder=Path(place) / "run",
            keyboard=io.StringIO("\n\n"),
        )
    print(
        f"memory: {scans:.0f} scans; resident after a tenth {sizes[0]:.1f} MB, "
        f"half {sizes[len(sizes) // 2]:.1f} MB, end {sizes[-1]:.1f} MB"
    )


class _Sampled(LockStepClock):
    """The lock-step clock, which looks at the memory ten times on its way."""

    def __init__(self, scans: float, sizes: list[float]) -> None:
        super().__init__()
        self._every_s, self._sizes = scans / 10, sizes

    def sleep_until_s(self, t_s: float) -> None:
        super().sleep_until_s(t_s)
        if t_s >= self._every_s * (len(self._sizes) + 1):
            self._sizes.append(_resident_MB())


def _resident_MB() -> float:
    status = Path("/proc/self/statm")
    if status.exists():
        return int(status.read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6


def main() -> None:
    what = sys.argv[1] if len(sys.argv) > 1 else "all"
    amount = float(sys.argv[2]) if len(sys.argv) > 2 else None
    print(f"load average at the start: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    if what in ("stream", "all"):
        stream(amount or 30.0)
    if what in ("jitter", "all"):
        jitter(amount or 600.0)
    if what in ("memory", "all"):
        memory(amount or 1e6)


if __name__ == "__main__":
    main()
