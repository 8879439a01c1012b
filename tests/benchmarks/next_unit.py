"""Whether the next unit lies where it is expected: share of 95 % intervals that hold it.

    python -m tests.benchmarks.next_unit [--draws 2000]

Units are drawn with a known spread, measured with 2 % each; the interval is that of `heatrun units`
(half-normal prior of the spread, scale 10 %). Beside it two that need no prior: Student's, and the
plug-in mean ± 1.96 s. Printed: share that holds the next unit's true value, and the median width.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable

import numpy as np
from scipy.stats import t

from fit.statistics.population import PRIOR_SCALE, posterior

MEAN, U = 0.6, 0.02  # K/W, and relative
SPREADS = {"2 %": 0.02, "5 %": 0.05, "10 %": 0.10, "20 %": 0.20, "as the prior": None}
COUNTS = (1, 2, 3, 5, 10, 30)

Interval = Callable[[np.ndarray, float], tuple[float, float]]


def ours(y: np.ndarray, u: float) -> tuple[float, float]:
    """The next unit's interval of `fit.statistics.population`."""
    known = posterior(y, np.full(len(y), u), PRIOR_SCALE * abs(float(np.median(y))))
    return known.quantile(0.025, own=True), known.quantile(0.975, own=True)


def student(y: np.ndarray, _u: float) -> tuple[float, float]:
    """mean ± t s √(1 + 1/n), of two or more."""
    half = t.ppf(0.975, len(y) - 1) * np.std(y, ddof=1) * np.sqrt(1 + 1 / len(y))
    return float(y.mean() - half), float(y.mean() + half)


def plug_in(y: np.ndarray, _u: float) -> tuple[float, float]:
    """mean ± 1.96 s, of two or more."""
    half = 1.96 * np.std(y, ddof=1)
    return float(y.mean() - half), float(y.mean() + half)


def held(interval: Interval, spread: float | None, units: int, draws: int) -> tuple[float, float]:
    """Share of intervals that hold the next unit, and their median half width over the mean."""
    random = np.random.default_rng(units)
    inside, widths = 0, []
    for _ in range(draws):
        s = MEAN * (abs(PRIOR_SCALE * random.standard_normal()) if spread is None else spread)
        true = MEAN + s * random.standard_normal(units + 1)
        low, high = interval(true[:-1] + U * MEAN * random.standard_normal(units), U * MEAN)
        inside += low <= true[-1] <= high
        widths.append((high - low) / 2 / MEAN)
    return inside / draws, float(np.median(widths))


def main(draws: int) -> None:
    """Print the table."""
    for name, spread in SPREADS.items():
        print(f"true spread {name}")
        for units in COUNTS:
            cells = [f"  n = {units:2}:"]
            for label, interval in (("ours", ours), ("Student", student), ("plug-in", plug_in)):
                if units > 1 or interval is ours:
                    share, width = held(interval, spread, units, draws)
                    cells.append(f"{label} {share:.1%} (± {width:.0%})")
            print("  ".join(cells))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--draws", type=int, default=2000)
    main(parser.parse_args().draws)
