"""`kill -9` at random moments of a heat run: `python -m tests.benchmarks.kill_nine [COUNT [SEED]]`.

The reader numbers its readings, so that each row of the record tells which answer it holds. After
every kill: all readings answered more than 1 s before it are in the file, once each and in order;
the file reads; the supply is off within 2 s. Every kill meets a live run: its moment is spread from
the first answer of an instrument, before the folder is made, over soak, switching on, heat and
switching off, to a cooling that would last much longer.
"""

from __future__ import annotations

import math
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from bench.virtual.instrument import VirtualInstrument
from bench.virtual.ports import far_end
from bench.virtual.supply import ScpiSupply, Supply
from fit.errors import RecordError
from fit.records.run import read_run
from tests.support.bench_rigs import HEATRUN, NODES, tables, toml

LIVE_S = 3.0  # start-up, soak, heat and some of the cooling
KEPT_S = 1.0
OFF_WITHIN_S = 2.0
LAST_COMMAND_S = 0.2  # what the logger had sent last may still be under way to the supply
STEP_K = 0.001


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


def main(count: int = 200, seed: int = 1) -> int:
    """Kill so many runs; the number of runs that were not as they should be."""
    chance, failures = random.Random(seed), 0
    stages: dict[str, int] = {}
    off_s: list[float] = []
    newest_s: list[float] = []
    with tempfile.TemporaryDirectory() as place:
        for number in range(count):
            problem, stage = one(
                Path(place) / str(number), chance.uniform(0, LIVE_S), off_s, newest_s
            )
            stages[stage] = stages.get(stage, 0) + 1
            if problem:
                failures += 1
                print(f"run {number} ({stage}): {problem}", flush=True)
    print(f"{count} kills, {failures} failures; killed while: {stages}")
    if off_s:
        print(f"supply off after at most {max(off_s):.2f} s (allowed {OFF_WITHIN_S:g} s)")
    if newest_s:
        print(
            f"newest reading kept was at most {max(newest_s):.3f} s old at the kill (1 s allowed)"
        )
    return failures


def one(place: Path, delay_s: float, off_s: list[float], newest_s: list[float]) -> tuple[str, str]:
    """One run, killed; what is wrong with what it left, and what it was doing."""
    place.mkdir()
    reader, supply = NumberedReader(), Supply(load_ohm=34.0)
    with (
        VirtualInstrument(reader, far_end("reader", place)) as readings,
        VirtualInstrument(ScpiSupply(supply), far_end("supply", place)) as source,
    ):
        rig = tables(
            {"reader": readings.url, "supply": source.url},
            sequence={"interval_s": 0.02, "isothermal_K": 1e6, "heat_s": 1.2, "cool_s": 600.0},
        )
        for instrument in rig["instrument"]:
            instrument["reply_s"] = 2.0  # an answer given up as late would count as lost
        (place / "rig.toml").write_text(toml(rig))
        run = place / "run"
        logger = subprocess.Popen(
            [*HEATRUN, "log", str(place / "rig.toml"), "--out", str(run)],
            stdout=subprocess.DEVNULL,
            stderr=(place / "said.txt").open("wb"),
        )
        wait_for_first_answer(reader, logger)
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
            wait_for_the_watchdog(run)
    if logger.returncode != -signal.SIGKILL:
        return f"it ended by itself: {(place / 'said.txt').read_text().strip()[-300:]}", "finished"
    if was_on:
        off_s.append(took_s)
        if took_s > OFF_WITHIN_S:
            return f"supply off only after {took_s:.2f} s", "heat"
    if not (run / "readings.csv").is_file():
        return "", "before the record"
    heated = '"power_on"' in (run / "events.jsonl").read_text()
    stage = "heat" if was_on else "cool" if heated else "soak"
    return judge(run, reader.answered, killed_s, newest_s), stage


def wait_for_first_answer(reader: NumberedReader, logger: subprocess.Popen[bytes]) -> None:
    """The moments are counted from here: the program's own start takes long on a busy computer."""
    while not reader.answered and logger.poll() is None:
        time.sleep(0.002)


def wait_for_the_watchdog(run: Path) -> None:
    """Leave the port until the watchdog has read back: it would look for it for an hour."""
    deadline = time.monotonic() + OFF_WITHIN_S
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
