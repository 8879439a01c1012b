"""Statistical efficiency: scatter of the totals over repeats against the Cramér-Rao bound.

    python -m tests.benchmarks.efficiency [--repeats 300]

Two nodes above ambient, three time constants, a step after a soak, white noise alone; how many
time constants there are is left to the data. The bound is
that of the true model (its time constants, coefficients and offsets unknown, ambient constant and
exactly known), computed from every sample.
"""

from __future__ import annotations

import argparse
from collections import Counter
from pathlib import Path

import numpy as np

from fit.identification.identify import identify
from fit.records.run import Array, Run

TAU_S = np.array([8.0, 70.0, 500.0])
A_K_PER_W = np.array([[1.5, 1.0, 4.0], [-0.3, 0.8, 3.5]])
POWER_W, NOISE_K, SOAK_S = 4.0, 0.05, 120.0


def cramer_rao(t_s: Array) -> Array:
    """Least standard deviations of the nodes' totals (m,) [K/W]."""
    age = np.maximum(t_s - SOAK_S, 0.0)[:, None]
    decay = np.exp(-age / TAU_S)
    m, K = A_K_PER_W.shape
    J = np.zeros((m, len(t_s), K + m * (K + 1)))
    for j in range(m):
        J[j, :, :K] = -POWER_W * A_K_PER_W[j] * decay * age / TAU_S
        own = K + j * (K + 1)
        J[j, :, own] = 1.0
        J[j, :, own + 1 : own + 1 + K] = POWER_W * (1 - decay)
    flat = J.reshape(-1, J.shape[2]) / NOISE_K
    covariance = np.linalg.inv(flat.T @ flat)
    pick = np.zeros((m, J.shape[2]))
    for j in range(m):
        pick[j, K + j * (K + 1) + 1 : K + (j + 1) * (K + 1)] = 1.0
    return np.sqrt(np.diag(pick @ covariance @ pick.T))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=300)
    repeats = parser.parse_args().repeats
    t_s = np.arange(0.0, 3000.0)
    age = np.maximum(t_s - SOAK_S, 0.0)[:, None]
    rise = POWER_W * (1 - np.exp(-age / TAU_S)) @ A_K_PER_W.T
    power = np.where(t_s >= SOAK_S, POWER_W, 0.0)
    found, stated, orders = [], [], list[int]()
    for seed in range(repeats):
        random = np.random.default_rng(seed)
        readings = np.column_stack([25 + rise, np.full(len(t_s), 25.0)])
        readings[:, :2] += NOISE_K * random.standard_normal(rise.shape)
        response = identify(
            Run(Path("made"), "made", ("tab", "case", "ambient"), t_s, readings, power)
        )
        orders.append(len(response.tau_s))
        found.append(response.total_K_per_W)
        stated.append(response.total_u_K_per_W)
    scatter, bound = np.std(found, axis=0, ddof=1), cramer_rao(t_s)
    print(f"{repeats} repeats: scatter {scatter.round(5)} K/W, bound {bound.round(5)} K/W")
    print(f"  time constants chosen: {dict(Counter(orders))} times; there are {len(TAU_S)}")
    print(
        f"  scatter / bound {(scatter / bound).round(3)}, stated u / scatter"
        f" {(np.mean(stated, axis=0) / scatter).round(3)}"
    )
    print(f"  mean error {(np.mean(found, axis=0) - A_K_PER_W.sum(axis=1)).round(5)} K/W")


if __name__ == "__main__":
    main()
