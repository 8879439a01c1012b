"""How often a wrong power reading can be named at all, by what a budget knows of its own path.

    python -m tests.benchmarks.power_errors [--trials 200]

No bench and no fit: spans are drawn as the budget's own uncertainty has them, read without any
error of their own, and weighed by the same likelihood as in `check`. A power error scales all spans
alike, and the mean of four spans known to 8-12 % each is known to 5 %: what is printed bounds what
any reading of the same evidence can do. Errors are 5-15 %, high or low; an error is named where it
is the most probable cause with the probability that makes a lead.
"""

from __future__ import annotations

import argparse

import numpy as np

from fit.assessment.decision import decide
from fit.assessment.diagnosis import explain, find_causes
from fit.assessment.hypotheses import POWER, CapacityEvidence, Pattern
from fit.budget.limits import DEFAULT_LIMIT_FACTOR
from tests.benchmarks.faulty_rigs import BUDGET_U, MEASURED, SIZES, STAGES, sound_deviations

PREDICTED_K_PER_W = np.array([2.5, 0.6, 0.5, 5.0])
CAPACITY_SHARE = np.array([0.02, 0.03, 0.1, 0.85, 0.0])
KNOWN = (
    ("budgets of 8-12 %, no heat capacity", 1.0, None),
    ("budgets of 8-12 %, heat capacity to 6 %", 1.0, 0.06),
    ("budgets of 8-12 %, heat capacity to 3 %", 1.0, 0.03),
    ("budgets of 4-6 %, no heat capacity", 0.5, None),
    ("budgets of 4-6 %, heat capacity to 3 %", 0.5, 0.03),
)


def trial(
    random: np.random.Generator, error: float, sharper: float, capacity_u: float | None
) -> bool:
    """Whether an error of the power is named."""
    predicted_u = sharper * np.array(BUDGET_U[1:]) * PREDICTED_K_PER_W
    true = PREDICTED_K_PER_W * (1 + sharper * (sound_deviations(random)[1:] - 1))
    measured = true / (1 + error)
    u = 1e-3 * measured
    limit = DEFAULT_LIMIT_FACTOR * PREDICTED_K_PER_W
    capacity = None
    if capacity_u is not None:
        ln_ratio = np.log1p(error) + capacity_u * random.standard_normal()
        capacity = CapacityEvidence(float(ln_ratio), capacity_u, CAPACITY_SHARE)
    pattern = Pattern(
        nodes=MEASURED,
        stages=tuple((stage,) for stage in STAGES[1:]),
        stage_K_per_W=tuple((float(R),) for R in PREDICTED_K_PER_W),
        measured_K_per_W=measured,
        measured_covariance=np.diag(u**2),
        predicted_K_per_W=PREDICTED_K_PER_W,
        predicted_covariance=np.diag(predicted_u**2),
        limit_K_per_W=limit,
        rise_K_per_W=np.append(np.cumsum(measured[::-1])[::-1], 0.0),
        heat_W=4.0,
        capacity=capacity,
    )
    decisions = [decide(float(value < most)) for value, most in zip(measured, limit, strict=True)]
    posterior = explain(pattern)
    return posterior is not None and any(
        f.lead and f.kind == POWER for f in find_causes(pattern, decisions, posterior)
    )


def main(trials: int) -> None:
    """Draw and print."""
    errors = np.linspace(*SIZES["power"], 5)
    print(f"{'share named at an error of':42}", *(f"{e:6.1%}" for e in errors), "  none")
    for what, sharper, capacity_u in KNOWN:
        shares = []
        for error in (*errors, 0.0):
            random = np.random.default_rng(0)
            signs = random.choice((-1.0, 1.0), trials)
            named = [trial(random, sign * error, sharper, capacity_u) for sign in signs]
            shares.append(np.mean(named))
        print(f"{what:42}", *(f"{share:6.1%}" for share in shares))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--trials", type=int, default=200)
    main(parser.parse_args().trials)
