"""Reading and importing a long record, beside pandas alone on the same file.

    python -m tests.benchmarks.reading [ROWS]

Prints processor times as ratios to `pandas.read_csv`, and peak memory over the record's arrays.
"""

from __future__ import annotations

import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from fit.records.imports.convert import Columns, import_file
from fit.records.run import read_run

NODES = 8


def write_record(path: Path, rows: int) -> None:
    """A record of 1/16 K steps at 1 Hz (invented)."""
    random = np.random.default_rng(0)
    walk = 25 + random.normal(0, 0.01, (rows, NODES)).cumsum(axis=0)
    columns = {f"n{i}_degC": np.round(16 * walk[:, i]) / 16 for i in range(NODES)}
    table = pd.DataFrame({"t_s": np.arange(float(rows)), **columns, "power_W": 4.2})
    table.to_csv(path, index=False)


def seconds(work: Callable[[], object], repeats: int = 3) -> float:
    """The least processor time of a few runs [s]."""
    times = []
    for _ in range(repeats):
        begin = time.process_time()
        work()
        times.append(time.process_time() - begin)
    return min(times)


def main(rows: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "readings.csv"
        write_record(path, rows)
        alone = seconds(lambda: pd.read_csv(path))
        print(f"{rows} rows x {NODES} nodes, {path.stat().st_size / 1e6:.0f} MB")
        print(f"pandas.read_csv   1.00   ({alone:.2f} s)")
        print(f"read_run          {seconds(lambda: read_run(path)) / alone:.2f}")
        columns = Columns(
            time=("t_s",),
            nodes={f"n{i}": f"n{i}_degC" for i in range(NODES)},
            power="power_W",
        )
        out = Path(folder) / "run"
        once = seconds(lambda: import_file(path, columns, out), repeats=1)
        print(f"import_file       {once / alone:.2f}   (writing the run folder included)")
        tracemalloc.start()
        run = read_run(path)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        arrays = run.t_s.nbytes + run.temperature_degC.nbytes + run.power.nbytes
        print(f"read_run: peak memory {peak / arrays:.2f} x the record's arrays")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
