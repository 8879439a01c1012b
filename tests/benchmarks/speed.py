"""Speed and memory of identification, as ratios in one run.

    python -m tests.benchmarks.speed

1. Against plain lmfit over all parameters (shared time constants, numeric Jacobian) to the
same minimum:
   7200 samples x 4 nodes x 4 time constants. Ours includes choosing the order from 1 to 6.
2. 1e6 samples x 8 nodes against pandas reading the same CSV, and peak memory against the arrays.
3. Time against the number of samples.
4. Re-identification while logging, at several lengths of record.
All processor time, so that other load on the machine does not count.
"""

from __future__ import annotations

import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import lmfit
import numpy as np
import pandas as pd

from fit.follow import Follower
from fit.identify import identify
from fit.record import Array, Run

TAU_S = np.array([3.0, 25.0, 200.0, 1500.0])


def made(samples: int, nodes: int, scan_s: float = 1.0, noise_K: float = 0.03) -> Run:
    """Nodes stepped with 4 W after a soak; exact exponentials, white noise (invented)."""
    random = np.random.default_rng(1)
    t_s = scan_s * np.arange(samples)
    start = 120.0 if samples * scan_s > 600 else 0.2 * samples * scan_s
    tau = TAU_S * min(1.0, samples * scan_s / 7200)
    a = random.uniform(0.3, 3.0, (nodes - 1, 4))
    readings = np.full((samples, nodes), 25.0)
    for k in range(4):
        readings[:, :-1] += np.outer(
            4.0 * (1 - np.exp(-np.maximum(t_s - start, 0) / tau[k])), a[:, k]
        )
    readings += noise_K * random.standard_normal(readings.shape)
    names = (*(f"node_{j}" for j in range(nodes - 1)), "ambient")
    return Run(Path("made"), "made", names, t_s, readings, np.where(t_s >= start, 4.0, 0.0))


def clock(job: Callable[[], object], repeats: int = 3) -> float:
    """Least processor time of a job [s]."""
    took = []
    for _ in range(repeats):
        begun = time.process_time()
        job()
        took.append(time.process_time() - begun)
    return min(took)


def plain_lmfit(run: Run, tau_start_s: Array) -> lmfit.minimizer.MinimizerResult:
    """Every ln tau and every a_jk a parameter of lmfit, all samples, numeric Jacobian."""
    rise = run.temperature_degC[:, :-1] - run.temperature_degC[:, [-1]]
    m = rise.shape[1]
    age = run.t_s - run.t_s[np.argmax(run.power > 0)]
    parameters = lmfit.Parameters()
    for k, tau in enumerate(tau_start_s):
        parameters.add(f"ln_tau_{k}", value=float(np.log(tau)))
    for j in range(m):
        parameters.add(f"c_{j}", value=0.0)
        for k in range(len(tau_start_s)):
            parameters.add(f"a_{j}_{k}", value=1.0)
    K = len(tau_start_s)

    def residual(parameters: lmfit.Parameters) -> Array:
        values = np.array(list(parameters.valuesdict().values()))
        tau, table = np.exp(values[:K]), values[K:].reshape(m, K + 1)
        response = 4.0 * (1 - np.exp(-np.maximum(age, 0)[:, None] / tau))
        return (rise - table[:, 0] - response @ table[:, 1:].T).ravel()

    return lmfit.minimize(residual, parameters, method="leastsq")


def against_lmfit() -> None:
    run = made(7200, 5)
    start = TAU_S * np.array([1.6, 0.6, 1.6, 0.7])
    begun = time.process_time()
    plain = plain_lmfit(run, start)
    plain_s = time.process_time() - begun
    identify(run)
    ours_s = clock(lambda: identify(run))
    ours = identify(run)
    tau = np.sort(np.exp([plain.params[f"ln_tau_{k}"].value for k in range(4)]))
    print(f"7200 x 4 x 4: plain lmfit {1000 * plain_s:.0f} ms ({plain.nfev} evaluations);")
    print(f"  ours {1000 * ours_s:.0f} ms with order selection 1-6: {plain_s / ours_s:.0f} times")
    print(f"  time constants {tau.round(2)} and {ours.tau_s.round(2)} s")


def against_pandas() -> None:
    run = made(1_000_000, 8, 0.0072)
    columns = {"t_s": run.t_s}
    columns |= {f"{n}_degC": run.temperature_degC[:, j] for j, n in enumerate(run.nodes)}
    frame = pd.DataFrame(columns | {"power_W": run.power})
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "readings.csv"
        frame.to_csv(path, index=False, float_format="%.4f")
        del frame
        read_s = clock(lambda: pd.read_csv(path), 1)
    ours_s = clock(lambda: identify(run), 1)
    arrays = run.t_s.nbytes + run.temperature_degC.nbytes + run.power.nbytes
    tracemalloc.start()
    identify(run)
    peak = tracemalloc.get_traced_memory()[1] + arrays
    tracemalloc.stop()
    print(
        f"1e6 x 8: pandas reads the CSV in {read_s:.2f} s, identified in {ours_s:.2f} s:"
        f" {ours_s / read_s:.2f} of it"
    )
    print(
        f"  peak memory, the record's own arrays included: {peak / arrays:.2f} times those arrays"
    )


def with_samples() -> None:
    base = None
    for samples in (125_000, 250_000, 500_000, 1_000_000):
        run = made(samples, 8, 7200 / samples)
        took = clock(lambda run=run: identify(run), 1)  # type: ignore[misc]
        base = base or took / samples
        print(f"  {samples:>9} samples: {took:.3f} s, {took / samples / base:.2f} a sample")


def live() -> None:
    run = made(50_000, 5, 0.2)
    follower = Follower(run.nodes)
    for i, t in enumerate(run.t_s):
        follower.add(float(t), run.temperature_degC[i], float(run.power[i]))
        if i + 1 in (1000, 5000, 20_000, 50_000):
            took = clock(follower.estimate)
            print(f"  live, {i + 1:>6} scans: {1000 * took:.0f} ms")


def main() -> None:
    against_lmfit()
    against_pandas()
    with_samples()
    live()


if __name__ == "__main__":
    main()
