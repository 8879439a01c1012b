"""How long `heatrun check` takes over a folder of 500 runs of 3,600 scans of 5 thermocouples.

    python -m tests.benchmarks.many_runs [--runs 500] [--keep DIR]

Runs are written once from simulated rigs, then checked by the command itself, on all cores; one of
them is a file of rubbish. Printed: wall and CPU time, peak memory of the largest process.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from fit.records.metadata import run_document
from fit.records.writer import RunWriter
from tests.benchmarks.faulty_rigs import FAULTS, MEASURED, random_rig

DIFFERENT_RIGS = 20
SCANS = 3600
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


def main(count: int, folder: Path) -> None:
    """Write the runs and time the command."""
    if not folder.exists():
        folder.mkdir(parents=True)
        write_budget(folder / "budget.toml")
        write_runs(folder, count)
    table = folder / f"table_{time.time_ns()}.csv"
    command = [sys.executable, "-c", "from bench.cli import main; main()", "check", str(folder)]
    begun = time.perf_counter()
    done = subprocess.run(
        [*command, "--budget", str(folder / "budget.toml"), "--table", str(table)],
        capture_output=True,
        text=True,
        check=False,
    )
    seconds = time.perf_counter() - begun
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(done.stdout.splitlines()[-1] if done.stdout else "", done.stderr.strip(), sep="\n")
    rows = len(table.read_text().splitlines()) - 1
    print(f"exit status {done.returncode}, {rows} rows in the table")
    cpu_seconds = used.ru_utime + used.ru_stime
    print(
        f"{count} runs in {seconds:.1f} s on {os.cpu_count()} cores, {count / seconds:.1f} a second"
    )
    print(f"{cpu_seconds:.1f} s of CPU, largest process {used.ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--runs", type=int, default=500)
    parser.add_argument("--keep", type=Path, help="folder for the runs, used again if it exists")
    arguments = parser.parse_args()
    if arguments.keep:
        main(arguments.runs, arguments.keep)
    else:
        with tempfile.TemporaryDirectory() as temporary:
            main(arguments.runs, Path(temporary) / "runs")
