"""Case to ambient by energy balance: what a short record may not say."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fit.identification.energy_balance import UNKNOWN_K_PER_W, CaseToAmbient
from fit.measurement.spans import measure
from fit.records.run import read_run
from tests.benchmarks.field.draw import random_rig


@pytest.mark.parametrize("seed", [5008, 5010, 5039])
def test_a_loss_bounded_on_one_side_alone_is_not_claimed(seed: int, tmp_path: Path) -> None:
    """After 300 s these sound products' losses looked small: 55-73 ± 20 K/W for 7-11 K/W."""
    run, _ = random_rig(seed, "none").write(tmp_path, 300.0)
    spans = measure(read_run(run))
    assert spans.R_K_per_W[-1] == UNKNOWN_K_PER_W
    assert not spans.resolved[-1]


@pytest.mark.parametrize(
    ("reached", "settled", "said"),
    [
        (3.35, False, "had 4.3 % of its rise to come"),
        (3.48, True, "had 0.57 % of its rise to come"),
        (3.60, False, "settle 2.9 % below what heating reached"),
        (np.nan, False, "nothing shows where it would"),
    ],
)
def test_how_far_heating_went_is_said_by_the_balance(
    reached: float, settled: bool, said: str
) -> None:
    air = CaseToAmbient(3.5, 0.01, 0.0, reached)
    assert air.settled is settled
    assert said in air.outlook
