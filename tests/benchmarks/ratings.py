"""How well `rate` knows the power a product may have: random products against their own truth.

    python -m tests.benchmarks.ratings [--products 300] [--seed 0]

Each product has a surface of its own: area, emissivity and convection differ from the budget's. It
is measured in the lab at one power, with 0.4 % on each span, and rated at 55 °C. Printed: error of
the allowable power, how often its 95 % interval holds the truth, and what the lab's case-to-air
resistance, taken as it is, would have given.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from bench.virtual.prototype import CaseSurface
from fit.budget import read_budget
from fit.budget.model import Budget
from fit.measurement.spans import Spans
from fit.rating.rating import rate
from fit.rating.touch_limits import read_touch_limits
from tests.support.made_ratings import (
    JUNCTION_LIMIT_DEGC,
    NODES,
    SHARE,
    WORST_DEGC,
    settled_degC,
    write_budget,
)

MEASURED, SPAN_U = NODES[1:], 0.004


@dataclass(frozen=True)
class Product:
    """One product, as it is."""

    above_case_K_per_W: tuple[float, float, float]  # junction - tab - bar - case
    surface: CaseSurface

    def degC(self, node: str, power_W: float, ambient_degC: float) -> float:
        """Where a node settles [degC]."""
        return settled_degC(
            node,
            power_W,
            ambient_degC,
            above_case_K_per_W=np.array(self.above_case_K_per_W),
            surface=self.surface,
        )

    def allowable_W(self) -> float:
        """Power at which the junction reaches its limit at the worst ambient [W]."""
        low, high = 0.0, 100.0
        for _ in range(60):
            middle = 0.5 * (low + high)
            cool = self.degC("junction", middle, WORST_DEGC) < JUNCTION_LIMIT_DEGC
            low, high = (middle, high) if cool else (low, middle)
        return low


def product(random: np.random.Generator, emissivity: tuple[float, float]) -> Product:
    """Draw a product."""
    return Product(
        (random.normal(1.5, 0.1), 4.0 * random.uniform(0.8, 1.5), 0.7 * random.uniform(0.8, 2.0)),
        CaseSurface(
            0.024 * random.uniform(0.8, 1.25), random.uniform(1.2, 2.2), random.uniform(*emissivity)
        ),
    )


def measured(item: Product, power_W: float, lab_degC: float, random: np.random.Generator) -> Spans:
    """What the lab finds."""
    final = np.array(
        [lab_degC if n == "ambient" else item.degC(n, power_W, lab_degC) for n in MEASURED]
    )
    R = -np.diff(final) / power_W
    covariance = {"fit": np.diag((SPAN_U * R) ** 2)}
    noisy = R * (1 + SPAN_U * random.standard_normal(len(R)))
    return Spans(MEASURED, noisy, covariance, power_W, final, True, ())


def trial(
    budget: Budget, random: np.random.Generator, emissivity: tuple[float, float]
) -> tuple[float, bool, float]:
    """Relative error of the allowable power, whether its interval holds, error without scaling."""
    item = product(random, emissivity)
    spans = measured(item, random.uniform(2, 7), random.uniform(15, 28), random)
    found = rate(spans, budget, read_touch_limits()).junction.allowable_power_W
    assert found is not None
    truth = item.allowable_W()
    unscaled = (JUNCTION_LIMIT_DEGC - WORST_DEGC) / (spans.R_K_per_W.sum() + 1.5 * SHARE)
    return found.value / truth - 1, found.low <= truth <= found.high, unscaled / truth - 1


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--products", type=int, default=300)
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    surfaces = {"painted, as the budget says": (0.75, 0.95), "painted or bare": (0.1, 0.95)}
    for name, emissivity in surfaces.items():
        random = np.random.default_rng(options.seed)
        with tempfile.TemporaryDirectory() as folder:
            budget = read_budget(write_budget(Path(folder)))
            trials = [trial(budget, random, emissivity) for _ in range(options.products)]
        error, held, unscaled = (np.array(column) for column in zip(*trials, strict=True))
        print(
            f"{name}: allowable power off by {np.median(np.abs(error)):.1%} (median), "
            f"{np.percentile(np.abs(error), 95):.1%} (95th percentile); 95 % interval holds the "
            f"truth in {held.mean():.1%}; unscaled {np.median(np.abs(unscaled)):.1%}, "
            f"{np.percentile(np.abs(unscaled), 95):.1%}"
        )


if __name__ == "__main__":
    main()
