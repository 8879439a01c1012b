"""How long `heatrun check` takes over a folder of 500 runs of 3,600 scans of 5 thermocouples.

    python -m tests.benchmarks.many_runs [--runs 500] [--keep DIR] [--fleet] [--kill]

Runs are written once from simulated rigs, then checked by the command itself, on all cores; one of
them is a file of rubbish. Printed: wall and CPU time, peak memory of the largest process, and how
many runs stand in the table once.
"""

from __future__ import annotations

import argparse
import csv
import os
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

import numpy as np

from fit.records.metadata import run_document
from fit.records.writer import RunWriter
from tests.benchmarks.faulty_rigs import FAULTS, MEASURED, random_rig

DIFFERENT_RIGS = 20
SCANS = 3600
KILL_AFTER = 20  # runs in the table: the workers are all busy
BUDGET = """
schema = 1
title = "Charge controllers, many of them (invented)"
[conditions]
power_W = 4.0
ambient_degC = 23.0
path_fraction = 0.97
path_fraction_u = 0.01
"""
STAGE = """
[[stage]]
name = "{name}"
from = "{start}"
to = "{end}"
kind = "stated"
contact = {contact}
R_K_per_W = {R}
R_u_K_per_W = {u}
C_J_per_K = {C}
"""


def write_budget(path: Path, seed: int = 0) -> None:
    """A budget of stated stages about one rig's prediction."""
    prediction = random_rig(seed, "none").prediction
    text = BUDGET
    for stage, R, C in zip(
        prediction.budget.stages, prediction.R_K_per_W, prediction.C_J_per_K, strict=True
    ):
        contact = "true" if stage.contact else "false"
        text += STAGE.format(
            name=stage.name,
            start=stage.from_node,
            end=stage.to_node,
            contact=contact,
            R=R,
            u=0.1 * R,
            C=C,
        )
    path.write_text(text)


def write_runs(folder: Path, count: int) -> None:
    """Run folders of 3,600 scans from a few rigs, each with noise of its own."""
    runs = [
        random_rig(0, FAULTS[i % len(FAULTS)] if i % 3 else "none").run
        for i in range(DIFFERENT_RIGS)
    ]
    runs = [replace(run, t_s=run.t_s[:SCANS], power=run.power[:SCANS]) for run in runs]
    columns = [f"{node}_degC" for node in MEASURED]
    started = datetime(2026, 1, 1, tzinfo=UTC)
    for i in range(count):
        run, random = runs[i % DIFFERENT_RIGS], np.random.default_rng(i)
        readings = run.temperature_degC[:SCANS] + 0.01 * random.standard_normal(
            (SCANS, len(MEASURED))
        )
        document = run_document(f"unit {i}", MEASURED, started)
        with RunWriter.create(folder / f"unit_{i:04}", document, ["power_W"]) as writer:
            for t, row, power in zip(run.t_s, readings.round(3), run.power, strict=True):
                writer.append_scan(
                    float(t), dict(zip(columns, row, strict=True)) | {"power_W": power}
                )
    bad = folder / "unit_rubbish"
    bad.mkdir()
    (bad / "readings.csv").write_bytes(os.urandom(1000))


@contextmanager
def fleet() -> Iterator[str]:
    """Address of a scheduler with a worker for each core, as `dask worker --nthreads 1`."""
    from distributed import LocalCluster

    with LocalCluster(threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        yield cluster.scheduler_address


def children(pid: int) -> list[int]:
    """Processes started by this one, and by those (Linux)."""
    found = []
    for thread in Path(f"/proc/{pid}/task").glob("*/children"):
        for child in map(int, thread.read_text().split()):
            found += [child, *children(child)]
    return found


def kill_a_worker(parent: int, table: Path, command: int) -> int:
    """Kill the process below this one that has worked most, but for the command itself."""
    while not table.exists() or len(runs_in(table)) < KILL_AFTER:
        time.sleep(0.1)
    busiest = max((child for child in children(parent) if child != command), key=cpu_ticks)
    os.kill(busiest, signal.SIGKILL)
    return busiest


def cpu_ticks(pid: int) -> int:
    """CPU time of a process so far; 0 where it has gone."""
    try:
        return sum(
            map(int, Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[11:13])
        )
    except OSError:
        return 0


def runs_in(table: Path) -> Counter[str]:
    """Rows of each run in a table, over how many it should have: 1 each."""
    with table.open(newline="", encoding="utf-8") as stream:
        found: Counter[str] = Counter()
        for row in csv.DictReader(stream):
            found[row["run"]] += Fraction(1, int(row["rows"]))  # type: ignore[assignment]
    return found


def check_all(folder: Path, kill: bool, more: Sequence[str] = ()) -> None:
    """Time the command over the folder, and count what is in its table."""
    table = folder / f"table_{time.time_ns()}.csv"
    words = ["check", folder, "--budget", folder / "budget.toml", "--table", table, *more]
    begun, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    process = subprocess.Popen(
        [sys.executable, "-m", "bench", *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    if kill:
        killed = kill_a_worker(os.getpid() if more else process.pid, table, process.pid)
        print(f"killed worker {killed} after {KILL_AFTER} runs")
    stdout, stderr = process.communicate()
    seconds = time.perf_counter() - begun
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(stdout.splitlines()[-1] if stdout else "", stderr.strip(), sep="\n")
    found = runs_in(table)
    whole = sum(rows == 1 for rows in found.values())
    print(f"exit status {process.returncode}; {whole} of {len(found)} runs in the table once")
    cpu_s = used.ru_utime + used.ru_stime - before.ru_utime - before.ru_stime
    print(f"{len(found)} runs in {seconds:.1f} s on {os.cpu_count()} cores")
    if not more:
        print(f"{cpu_s:.1f} s of CPU, largest process {used.ru_maxrss / 1024:.0f} MB")


def main(count: int, folder: Path, *, by_fleet: bool, kill: bool) -> None:
    """Write the runs and time the command."""
    if not folder.exists():
        folder.mkdir(parents=True)
        write_budget(folder / "budget.toml")
        write_runs(folder, count)
    if not by_fleet:
        check_all(folder, kill)
        return
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    with fleet() as address:
        check_all(folder, kill, ["--scheduler", address])
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu_s = used.ru_utime + used.ru_stime - before.ru_utime - before.ru_stime
    print(f"{cpu_s:.1f} s of CPU, workers with it; largest {used.ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--runs", type=int, default=500)
    parser.add_argument("--keep", type=Path, help="folder for the runs, used again if it exists")
    parser.add_argument("--fleet", action="store_true", help="by Dask's workers, one a core")
    parser.add_argument("--kill", action="store_true", help="one worker, once some are done")
    arguments = parser.parse_args()
    options = {"by_fleet": arguments.fleet, "kill": arguments.kill}
    if arguments.keep:
        main(arguments.runs, arguments.keep, **options)
    else:
        with tempfile.TemporaryDirectory() as temporary:
            main(arguments.runs, Path(temporary) / "runs", **options)
