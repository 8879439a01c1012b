"""Speed and memory of identification, as ratios in one run.

    python -m tests.benchmarks.speed [lmfit] [pandas] [samples] [live]

1. Against plain lmfit over all parameters of the same model (shared time constants, numeric
   Jacobian) on 7200 samples x 4 nodes x 4 time constants. Ours chooses the order from 1 to 6.
   Plain lmfit is given the order, and starts once near the true time constants and once from
   those a user gives who knows nothing, spread evenly in log time from a scan to the record's
   length; then, as its user who has to find the order too, it fits orders 1 to 6 one after the
   other.
2. 1e6 samples x 8 nodes against pandas reading the same CSV, and peak memory against the arrays.
3. Time against the number of samples.
4. Re-identification while logging, at several lengths of record.
All processor time, so that other load on the machine counts little; linear algebra in one thread,
as in the heatrun command: on matrices so small its threads only wait for each other.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import lmfit
import numpy as np
import pandas as pd
from scipy.signal import lfilter

from bench.cli import THREADS
from fit.identification.identify import Identification, identify, identify_signals
from fit.identification.pole_model import Model
from fit.measurement.streaming import Follower
from fit.records.run import Array, Event, Run
from fit.signals.preparation import prepare

TAU_S = np.array([3.0, 25.0, 200.0, 1500.0])


def made(samples: int, nodes: int, scan_s: float = 1.0, noise_K: float = 0.03) -> Run:
    """Nodes stepped with 4 W after a soak, over an ambient that sways; white noise (invented)."""
    random = np.random.default_rng(1)
    t_s = scan_s * np.arange(samples, dtype=float)
    start = 120.0 if samples * scan_s > 600 else 0.2 * samples * scan_s
    tau = TAU_S * min(1.0, samples * scan_s / 7200)
    a = random.uniform(0.3, 3.0, (nodes - 1, 4))
    power: Array = np.where(t_s >= start, 4.0, 0.0)
    sway = 0.5 * (1 - np.cos(2 * np.pi * t_s / (0.4 * samples * scan_s)))
    readings: Array = np.full((samples, nodes), 25.0)
    readings += sway[:, None]
    for k in range(4):
        decay = np.exp(-scan_s / tau[k])
        heated = lfilter([0.0, 1 - decay], [1.0, -decay], power)
        behind = sway - lfilter([1 - decay], [1.0, -decay], sway)
        readings[:, :-1] += np.outer(heated, a[:, k])
        readings[:, :-1] -= np.outer(behind, a[:, k] / a.sum(axis=1))
    readings += noise_K * random.standard_normal(readings.shape)
    names = (*(f"node_{j}" for j in range(nodes - 1)), "ambient")
    return Run(Path("made"), "made", names, t_s, readings, power)


def clock(job: Callable[[], object], repeats: int = 3) -> float:
    """Least processor time of a job [s]."""
    took = []
    for _ in range(repeats):
        begun = time.process_time()
        job()
        took.append(time.process_time() - begun)
    return min(took)


@dataclass(frozen=True)
class Plain:
    """The model of fit.transfer on every sample, for an optimiser that is told nothing else.

    Shared ln tau, and per node an offset, a resistance and a reference coefficient by time
    constant: the same inputs, weights and prior on the reference coefficients as ours.
    """

    t_s: Array
    power_W: Array  # (n,) held from each sample to the next
    reference_K: Array  # (n,) the reference's own course, as ours takes it
    rise_K: Array  # (n, m)
    weight: Array  # (m,) of every sample
    prior: Array  # (K, m)
    prior_weight: Array  # (K, m)

    def filtered(self, tau_s: float) -> tuple[Array, Array]:
        """L[P] and T_ref - L[T_ref] (n,): exact for power held and a reference linear between."""
        x = (self.t_s[1] - self.t_s[0]) / tau_s
        decay, share = np.exp(-x), -np.expm1(-x) / x
        held = np.concatenate(([0.0], self.power_W[:-1]))
        r = self.reference_K
        power = lfilter([1 - decay], [1, -decay], held)
        lag = lfilter([1.0, -1.0], [1.0, -decay], r) * share
        lag -= lfilter([1.0], [1.0, -decay], np.concatenate(([r[0]], np.zeros(len(r) - 1)))) * share
        return power, lag

    def residual(self, tau_s: Array, offset: Array, a: Array, b: Array) -> Array:
        """Weighted residuals; offset (m,), a and b (K, m)."""
        power, lag = zip(*(self.filtered(tau) for tau in tau_s), strict=True)
        fitted = offset + np.column_stack(power) @ a - np.column_stack(lag) @ b
        left = self.weight * (self.rise_K - fitted)
        return np.concatenate((left.ravel(), (self.prior_weight * (self.prior - b)).ravel()))


def plain_lmfit(plain: Plain, tau_start_s: Array) -> lmfit.minimizer.MinimizerResult:
    """Every parameter an lmfit one, all samples, numeric Jacobian."""
    K, m = plain.prior.shape
    parameters = lmfit.Parameters()
    for k, tau in enumerate(tau_start_s):
        parameters.add(f"ln_tau_{k}", value=float(np.log(tau)))
    for j in range(m):
        parameters.add(f"c_{j}", value=0.0)
        for k in range(K):
            parameters.add(f"a_{j}_{k}", value=1.0)
            parameters.add(f"b_{j}_{k}", value=float(plain.prior[k, j]))

    def residual(parameters: lmfit.Parameters) -> Array:
        values = np.array(list(parameters.valuesdict().values()))
        table = values[K:].reshape(m, 1 + 2 * K).T
        return plain.residual(np.exp(values[:K]), table[0], table[1::2], table[2::2])

    return lmfit.minimize(residual, parameters, method="leastsq")


def same_model(run: Run, found: Identification, order: int) -> Plain:
    """What plain lmfit is given: the run as ours prepared it and the prior ours has or begins with.

    order: number of time constants.
    """
    fitted, signals = found.fitted, found.response.signals
    record = fitted.model.record
    columns = [signals.nodes.index(node) for node in record.nodes]
    reference = signals.temperature_degC[:, signals.nodes.index("ambient")]
    problem = Model(record, order).problem(
        fitted.reference_prior if order == fitted.order else None
    )
    cells = record.cells
    course = np.append(0.0, np.cumsum(record.filters.slope * cells.length_s))
    at = np.append(cells.start_s, cells.start_s[-1] + cells.length_s[-1])
    single = np.flatnonzero(cells.samples == 1)[-1]
    return Plain(
        t_s=run.t_s,
        power_W=run.power,
        reference_K=np.interp(run.t_s, at, course),
        rise_K=signals.temperature_degC[:, columns] - reference[:, None],
        weight=problem.weight[single],
        prior=problem.y[len(cells.samples) :],
        prior_weight=problem.weight[len(cells.samples) :],
    )


def spread(run: Run, order: int) -> Array:
    """Time constants for a start, evenly in log time between a scan and the record's length [s]."""
    return np.geomspace(run.t_s[1] - run.t_s[0], run.t_s[-1], order + 2)[1:-1]


def timed_plain(plain: Plain, start_s: Array) -> tuple[float, lmfit.minimizer.MinimizerResult]:
    """Processor time of a plain fit [s] and its result."""
    begun = time.process_time()
    result = plain_lmfit(plain, start_s)
    return time.process_time() - begun, result


def time_constants(result: lmfit.minimizer.MinimizerResult) -> Array:
    """Of a plain fit, ascending [s]."""
    logs = [p.value for name, p in result.params.items() if name.startswith("ln_tau")]
    return np.sort(np.exp(logs))


def solved_anew(plain: Plain, tau_s: Array) -> float:
    """Least sum of squares on all samples with given time constants."""
    power, lag = zip(*(plain.filtered(tau) for tau in tau_s), strict=True)
    design = np.column_stack((np.ones(len(plain.t_s)), *power, *(-one for one in lag)))
    K, cost = len(tau_s), 0.0
    below = np.hstack((np.zeros((K, 1 + K)), np.eye(K)))
    for j, weight in enumerate(plain.weight):
        known = plain.prior_weight[:, j]
        rows = np.vstack((weight * design, known[:, None] * below))
        target = np.concatenate((weight * plain.rise_K[:, j], known * plain.prior[:, j]))
        left = target - rows @ np.linalg.lstsq(rows, target, rcond=None)[0]
        cost += float(left @ left)
    return cost


def against_lmfit() -> None:
    """With the power edge known from the events, as in every run heatrun logs itself."""
    run = made(7200, 5)
    run = replace(run, events=(Event(float(run.t_s[np.argmax(run.power > 0)]), "power_on"),))
    found = identify_signals(prepare(run), run=run)
    response, fitted = found.response, found.fitted
    ours_s = clock(lambda: identify(run), 20)
    plain = same_model(run, found, fitted.order)
    near_s, near = timed_plain(plain, TAU_S * np.array([1.6, 0.6, 1.6, 0.7]))
    orders = {K: timed_plain(same_model(run, found, K), spread(run, K)) for K in range(1, 7)}
    far_s, far = orders[fitted.order]
    all_s = sum(took for took, _ in orders.values())
    ours_s = min(ours_s, clock(lambda: identify(run), 20))
    print("7200 samples x 4 nodes x 4 time constants")
    print(
        f"  ours {1000 * ours_s:.1f} ms, the order chosen from 1-6: {fitted.order};"
        f" time constants {response.tau_s.round(3)} s"
    )
    best = min(near.chisqr, far.chisqr)
    for name, took, result in (("near start", near_s, near), ("log-spaced start", far_s, far)):
        other = "" if result.chisqr < best * 1.000001 else ", another minimum or none"
        print(
            f"  plain lmfit, {len(result.params)} parameters, {name}: {1000 * took:.0f} ms,"
            f" {took / ours_s:.0f} times ours; {time_constants(result).round(3)} s{other}"
        )
    print(f"  plain lmfit, orders 1-6: {all_s:.2f} s, {all_s / ours_s:.0f} times ours")
    c = fitted.solution.coefficient
    ours = plain.residual(response.tau_s, c[0], c[fitted.model.a], c[fitted.model.b])
    print(f"  sum of squares over all samples {best:.4f}, ours {ours @ ours / best - 1:.1e} above;")
    print(
        "    at our time constants, coefficients solved anew on all samples instead of cells,"
        f" {solved_anew(plain, response.tau_s) / best - 1:.1e} above"
    )


def against_pandas() -> None:
    run = made(1_000_000, 8, 0.0072)
    columns = {"t_s": run.t_s}
    columns |= {f"{n}_degC": run.temperature_degC[:, j] for j, n in enumerate(run.nodes)}
    frame = pd.DataFrame(columns | {"power_W": run.power})
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "readings.csv"
        frame.to_csv(path, index=False, float_format="%.4f")
        del frame
        read_s = clock(lambda: pd.read_csv(path))
    ours_s = clock(lambda: identify(run))
    whole_s = clock(lambda: identify(run).residual_K)
    arrays = run.t_s.nbytes + run.temperature_degC.nbytes + run.power.nbytes
    peaks = []
    for job in (lambda: identify(run), lambda: identify(run).residual_K):
        tracemalloc.start()
        job()
        peaks.append((tracemalloc.get_traced_memory()[1] + arrays) / arrays)
        tracemalloc.stop()
    print(
        f"1e6 samples x 8 nodes: pandas reads the CSV in {read_s:.2f} s, identified in"
        f" {ours_s:.2f} s: {ours_s / read_s:.2f} of it;"
        f" with the residual of every sample {whole_s / read_s:.2f}"
    )
    print(
        f"  peak memory, the record's own arrays included: {peaks[0]:.2f} times those arrays;"
        f" with the residuals {peaks[1]:.2f}"
    )


def with_samples() -> None:
    print("time against samples, 8 nodes")
    base = None
    for samples in (125_000, 250_000, 500_000, 1_000_000):
        run = made(samples, 8, 7200 / samples)
        took = clock(lambda run=run: identify(run))  # type: ignore[misc]
        base = base or took / samples
        print(f"  {samples:>9} samples: {took:.3f} s, {took / samples / base:.2f} a sample")


def live() -> None:
    print("while logging, 5 nodes")
    run = made(200_000, 5, 0.2)
    follower = Follower(run.nodes)
    for i, t in enumerate(run.t_s):
        follower.add(float(t), run.temperature_degC[i], float(run.power[i]))
        if i + 1 in (1000, 5000, 20_000, 50_000, 200_000):
            took = clock(follower.estimate, 7)
            print(f"  {i + 1:>7} scans: estimated in {1000 * took:.0f} ms")


PARTS = {"lmfit": against_lmfit, "pandas": against_pandas, "samples": with_samples, "live": live}


def main() -> None:
    chosen = sys.argv[1:] or list(PARTS)
    if unknown := [name for name in chosen if name not in PARTS]:
        sys.exit(f"no such part: {', '.join(unknown)}; there are {', '.join(PARTS)}")
    if any(os.environ.get(name) != "1" for name in THREADS):
        alone = os.environ | dict.fromkeys(THREADS, "1")
        os.execve(sys.executable, [sys.executable, "-m", "tests.benchmarks.speed", *chosen], alone)
    for name in chosen:
        PARTS[name]()


if __name__ == "__main__":
    main()
