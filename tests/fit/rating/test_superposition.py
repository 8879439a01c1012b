"""Measured at two pairs of powers, a product of two parts is predicted at a third.

The truth is the simulator's: a case that loses heat by h = c ΔT^0.25 and radiation. The budget's
surface has another formula for the same (Churchill & Chu), so the air's own law is not known to it.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from bench.virtual.prototype import CaseSurface, Prototype, simulate
from fit.budget.model import Budget
from fit.measurement.branches import measure_branches
from fit.rating.branch_network import BranchNetwork, branch_network
from fit.rating.rating import Estimate
from tests.support.made_trees import AMBIENT_DEGC, NODES, changed, made_run, prototype, write_budget

SURFACE = """kind = "surface"
emissivity = 0.85
C_J_per_K = 150.0
faces = [{ area_mm2 = 27000, orientation = "vertical", height_mm = 60 }]
"""
STATED = """kind = "stated"
R_K_per_W = 4.0
R_u_K_per_W = 0.4
C_J_per_K = 150.0
"""


def product() -> Prototype:
    return replace(prototype(), surface=CaseSurface(area_m2=0.027))


@cache
def network() -> BranchNetwork:
    """Of 4 W and 2.5 W until the case has settled, then 2.5 W alone."""
    from pathlib import Path
    from tempfile import TemporaryDirectory

    from fit.budget import read_budget

    with TemporaryDirectory() as folder:
        budget: Budget = read_budget(write_budget(Path(folder), changed((STATED, SURFACE))))
    run = made_run(product(), off_s=(5000, 5600), end_s=5800, noise_K=0.03)
    return branch_network(measure_branches(run, budget), budget)


@pytest.mark.parametrize("power_W", [(1.5, 4.0), (5.0, 0.5), (0.0, 4.5), (2.0, 1.25)])
def test_a_third_pair_of_powers_is_predicted_within_its_interval(
    power_W: tuple[float, float],
) -> None:
    t_s = 20.0 * np.arange(800)
    true = simulate(product(), t_s, np.tile(power_W, (len(t_s), 1)))
    degC = network().node_degC(np.array(power_W), AMBIENT_DEGC)
    for node in ("tab_1", "tab_2"):
        found = Estimate.of(degC[:, NODES.index(node)])
        assert found.low < true[node][-1] < found.high
        assert found.u < 0.01 * (true[node][-1] - AMBIENT_DEGC)
