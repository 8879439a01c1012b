"""The live page on a long record: time for one update and memory of the page.

    python -m tests.benchmarks.watch_page [--rows 100000] [--updates 10]

Prints the time the server needs to build a state, the time the page needs to show it (its own
clock), and the proportional set size of the browser's page process and its script heap.
Needs Chromium, chromedriver and Linux's /proc.
"""

from __future__ import annotations

import argparse
import os
import statistics
import tempfile
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from bench.monitor.follower import Watcher
from bench.monitor.page_state import page_state
from bench.monitor.server import Board, PageServer
from fit.records.metadata import run_document
from fit.records.results import to_json
from fit.records.tail import FolderReader
from fit.records.writer import RunWriter
from tests.support.browser import browser, wait_until

NODES = ("tab", "board_back", "bar", "case", "ambient")
ROOM = np.array([40.0, 20.0, 16.0, 12.0, 0.0])


def rows(first: int, last: int) -> str:
    """Made readings, one scan a second, power on at 120 s."""
    t = np.arange(first, last)
    rise = 1 - np.exp(-np.clip(t - 120, 0, None) / 900)
    noise = np.random.default_rng(first).normal(0, 0.05, (len(t), len(NODES)))
    readings = 23 + np.outer(rise, ROOM) + noise
    power = np.where(t >= 120, 4.2, 0.0)
    table = np.column_stack([t, readings, power])
    return "".join(",".join(f"{v:.4f}" for v in row) + "\n" for row in table)


def page_memory_MB(profile: Path) -> float:
    """Proportional set size of the largest page process of the browser with that profile [MB]."""
    sizes = [0.0]
    for process in Path("/proc").glob("[0-9]*"):
        try:
            words = (process / "cmdline").read_bytes()
            # The page's processes name no profile; their browser, the parent, does.
            if b"--type=renderer" not in words or not _descends(process, profile):
                continue
            line = (process / "smaps_rollup").read_text().split("Pss:")[1]
            sizes.append(float(line.split()[0]) / 1024)
        except (OSError, IndexError):
            continue
    return max(sizes)


def _descends(process: Path, profile: Path) -> bool:
    """Whether one of a process's ancestors was started with that profile."""
    for _ in range(6):
        if str(profile).encode() in (process / "cmdline").read_bytes():
            return True
        parent = (process / "stat").read_text().rpartition(")")[2].split()[1]
        if parent == "0":
            return False
        process = Path("/proc") / parent
    return False


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=100_000)
    parser.add_argument("--updates", type=int, default=10)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        measure(Path(scratch), options.rows, options.updates)


def measure(scratch: Path, count: int, updates: int) -> None:
    """Serve a made record, add to it, and print what one update costs."""
    folder, profile = scratch / "run", scratch / "profile"
    document = run_document("long", NODES, datetime.now(UTC))
    RunWriter.create(folder, document, ["power_W"]).close()
    file = folder / "readings.csv"
    with file.open("a") as stream:
        stream.write(rows(0, count))
    reader = FolderReader(folder)
    started = time.perf_counter()
    while reader.look():
        continue
    print(f"{reader.scans} rows taken in, once: {time.perf_counter() - started:.2f} s")
    started = time.perf_counter()
    text = to_json(page_state(reader, [], judged=False))
    print(f"one state built: {1e3 * (time.perf_counter() - started):.1f} ms, {len(text)} bytes")
    board = Board()
    watcher, server = Watcher(FolderReader(folder), None, board), PageServer(board)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    watcher.start()
    with browser(profile) as tab:
        tab.open(server.url)
        scans = "return Number(document.body.dataset.scans || 0)"
        wait_until(lambda: tab.run(scans) >= count, "the whole record", 120)
        took = []
        for _ in range(updates):
            with file.open("a") as stream:
                stream.write(rows(count, count + 20))
            count += 20
            wait_until(lambda count=count: tab.run(scans) >= count, "an update", 60)
            took.append(float(tab.run("return document.body.dataset.updateMs")))
        tab.devtools("HeapProfiler.collectGarbage")
        heap = tab.run("return performance.memory.usedJSHeapSize") / 1e6
        print(f"page update: median {statistics.median(took):.1f} ms, worst {max(took):.1f} ms")
        print(f"load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
        print(f"page memory: {page_memory_MB(profile):.0f} MB, script heap {heap:.1f} MB")
    watcher.stop()
    server.shutdown()


if __name__ == "__main__":
    main()
