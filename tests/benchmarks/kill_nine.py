"""`kill -9` at random moments of a heat run.

    python -m tests.benchmarks.kill_nine [COUNT [SEED [AT_ONCE]]]

The reader numbers its readings, so that each row of the record tells which answer it holds. After
every kill: all readings answered more than 1 s before it are in the file, once each and in order;
the file reads; the supply is off within 2 s. Every kill meets a live run. With a quick supply its
moment is spread from the first answer of an instrument, before the folder is made, over soak,
switching on, heat and switching off, to a cooling that would last much longer. Of every five runs
one has a supply that answers 3 s late, though it obeys at once, and one a supply that ignores the
first three OFFs after each ON: there the moment is spread over 3 s from the power on.
"""

from __future__ import annotations

import math
import queue
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from statistics import median
from typing import Any

from bench.virtual.instrument import Faults, VirtualInstrument
from bench.virtual.ports import FarEnd, far_end
from bench.virtual.supply import ScpiSupply, Supply
from fit.errors import RecordError
from fit.records.run import read_run
from tests.support.bench_rigs import HEATRUN, NODES, tables, toml

LIVE_S = 3.0  # start-up, soak, heat and some of the cooling
KEPT_S = 1.0
OFF_WITHIN_S = 2.0
LAST_COMMAND_S = 0.2  # what the logger had sent last may still be under way to the supply
STEP_K = 0.001
SLOW_S = 3.0
IGNORES = 3
KINDS = ("quick", "slow", "quick", "deaf", "quick")


class NumberedReader:
    """Answers with the number of the answer, as a temperature."""

    def __init__(self) -> None:
        self.answered: list[float] = []  # wall clock of each answer [s]

    def unasked(self) -> str | None:
        return None

    def answer(self, line: str, faults: object) -> str:
        value = 20.0 + STEP_K * len(self.answered)
        self.answered.append(time.time())
        return ",".join([f"{value:.3f}"] * len(NODES))


class SlowSupply:
    """Obeys at once, and answers late; in order, as over one line."""

    def __init__(self, supply: Supply) -> None:
        self._inner = ScpiSupply(supply)
        self.port: FarEnd | None = None
        self._due: queue.SimpleQueue[tuple[float, bytes]] = queue.SimpleQueue()
        threading.Thread(target=self._send, daemon=True).start()

    def unasked(self) -> str | None:
        return None

    def answer(self, line: str, faults: Faults) -> str | None:
        reply = self._inner.answer(line, faults)
        if reply is not None:
            self._due.put((time.monotonic() + SLOW_S, reply.encode() + b"\n"))
        return None

    def _send(self) -> None:
        while True:
            due_s, data = self._due.get()
            time.sleep(max(0.0, due_s - time.monotonic()))
            if self.port is not None:
                self.port.send(data)


class DeafSupply(ScpiSupply):
    """Ignores the first OFFs after each ON."""

    _ignored = IGNORES

    def answer(self, line: str, faults: Faults) -> str | None:
        if line == "OUTP ON":
            self._ignored = 0
        if line == "OUTP OFF" and self._ignored < IGNORES:
            self._ignored += 1
            return None
        return super().answer(line, faults)


@dataclass(frozen=True)
class Outcome:
    """What one killed run left."""

    kind: str
    stage: str
    problem: str = ""
    off_s: float | None = None  # from the kill to the supply off; None where it was off
    newest_s: float | None = None  # age of the newest reading kept


def main(count: int = 200, seed: int = 1, at_once: int = 1) -> int:
    """Kill so many runs; the number of runs that were not as they should be."""
    chance = random.Random(seed)
    moments = [chance.uniform(0, LIVE_S) for _ in range(count)]
    with (
        tempfile.TemporaryDirectory() as place,
        ProcessPoolExecutor(at_once, mp_context=get_context("spawn")) as pool,
    ):
        places = [Path(place) / str(number) for number in range(count)]
        kinds = [KINDS[number % len(KINDS)] for number in range(count)]
        outcomes = list(pool.map(one, places, kinds, moments))
    for number, outcome in enumerate(outcomes):
        if outcome.problem:
            print(f"run {number} ({outcome.kind}, {outcome.stage}): {outcome.problem}")
    failures = sum(bool(outcome.problem) for outcome in outcomes)
    print(f"{count} kills, {failures} failures")
    for kind in dict.fromkeys(KINDS):
        mine = [outcome for outcome in outcomes if outcome.kind == kind]
        off_s = [one.off_s for one in mine if one.off_s is not None]
        stages = dict(Counter(outcome.stage for outcome in mine))
        print(f"{kind}: {len(mine)} kills while: {stages}", end="")
        if off_s:
            print(f"; supply off after {median(off_s):.2f} s, at most {max(off_s):.2f} s", end="")
        print(f" ({OFF_WITHIN_S:g} s allowed)")
    newest_s = [one.newest_s for one in outcomes if one.newest_s is not None]
    if newest_s:
        print(
            f"newest reading kept was at most {max(newest_s):.3f} s old at the kill (1 s allowed)"
        )
    return failures


def one(place: Path, kind: str, delay_s: float) -> Outcome:
    """One run, killed; what is wrong with what it left, and what it was doing."""
    place.mkdir()
    reader, supply = NumberedReader(), Supply(load_ohm=34.0)
    behaviour: Any = {"quick": ScpiSupply, "slow": SlowSupply, "deaf": DeafSupply}[kind](supply)
    port = far_end("supply", place)
    behaviour.port = port
    with (
        VirtualInstrument(reader, far_end("reader", place)) as readings,
        VirtualInstrument(behaviour, port) as source,
    ):
        rig = made_rig({"reader": readings.url, "supply": source.url}, kind)
        (place / "rig.toml").write_text(toml(rig))
        run = place / "run"
        quiet = ["--quiet"] if kind != "quick" else []  # without estimates beside it
        logger = subprocess.Popen(
            [*HEATRUN, *quiet, "log", str(place / "rig.toml"), "--out", str(run)],
            stdout=subprocess.DEVNULL,
            stderr=(place / "said.txt").open("wb"),
        )
        # Counted from here: the program's own start takes long on a busy computer.
        begun = (lambda: reader.answered) if kind == "quick" else (lambda: supply.on)
        while not begun() and logger.poll() is None:
            time.sleep(0.002)
        time.sleep(delay_s)
        logger.kill()
        killed_s = time.time()
        logger.wait()
        was_on = supply.on
        if not was_on:
            time.sleep(LAST_COMMAND_S)
            was_on = supply.on
        while supply.on and time.time() - killed_s < 30.0:
            time.sleep(0.002)
        took_s = time.time() - killed_s
        if was_on:
            wait_for_the_watchdog(run, OFF_WITHIN_S if kind == "quick" else 4 * SLOW_S)
    if logger.returncode != -signal.SIGKILL:
        said = (place / "said.txt").read_text().strip()[-300:]
        return Outcome(kind, "finished", f"it ended by itself: {said}")
    off_s = took_s if was_on else None
    if was_on and took_s > OFF_WITHIN_S:
        return Outcome(kind, "heat", f"supply off only after {took_s:.2f} s", off_s)
    if not (run / "readings.csv").is_file():
        return Outcome(kind, "before the record", "", off_s)
    heated = '"power_on"' in (run / "events.jsonl").read_text()
    stage = "heat" if was_on else "cool" if heated else "soak"
    newest_s: list[float] = []
    problem = judge(run, reader.answered, killed_s, newest_s)
    return Outcome(kind, stage, problem, off_s, max(newest_s, default=None))


def made_rig(ports: dict[str, str], kind: str) -> dict[str, Any]:
    """The short run, with the patience that the kind of supply needs."""
    heat_s = 1.2 if kind == "quick" else 600.0
    rig = tables(
        ports,
        sequence={"interval_s": 0.02, "isothermal_K": 1e6, "heat_s": heat_s, "cool_s": 600.0},
    )
    for instrument in rig["instrument"]:
        instrument["reply_s"] = 2.0  # an answer given up as late would count as lost
    if kind == "slow":
        rig["guard"]["silence_s"] = 60.0
        rig["instrument"][1].update(reply_s=3 * SLOW_S, errors="")
    return rig


def wait_for_the_watchdog(run: Path, within_s: float) -> None:
    """Leave the port until the watchdog has read back: it would look for it for an hour."""
    deadline = time.monotonic() + within_s
    while '"watchdog"' not in (run / "events.jsonl").read_text() and time.monotonic() < deadline:
        time.sleep(0.01)


def judge(run: Path, answered: list[float], killed_s: float, newest_s: list[float]) -> str:
    """What is missing, if anything."""
    # What was answered before the record began, to see that all instruments do, is not in it.
    begun_s = (run / "run.json").stat().st_mtime
    due = [number for number, at in enumerate(answered) if begun_s < at < killed_s - KEPT_S]
    try:
        values = read_run(run).temperature_degC[:, 0]
    except RecordError as error:
        # A record without one reading is refused in so many words; then none may be due either.
        if not any(words in str(error) for words in ("and no reading", "no reading at all")):
            return str(error)
        return f"nothing was kept of {len(due)} readings" if due else ""
    kept = [round((value - 20.0) / STEP_K) for value in values if not math.isnan(value)]
    if kept != sorted(set(kept)):
        return "a reading stands twice, or out of order"
    newest_s.append(killed_s - answered[kept[-1]])
    missing = sorted(set(due) - set(kept))
    return f"missing {len(missing)} of {len(due)}, such as {missing[:5]}" if missing else ""


if __name__ == "__main__":
    sys.exit(1 if main(*map(int, sys.argv[1:])) else 0)
