"""Case to ambient by energy balance: what a short record may not say."""

from __future__ import annotations

from pathlib import Path

import pytest

from fit.identification.energy_balance import UNKNOWN_K_PER_W
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
