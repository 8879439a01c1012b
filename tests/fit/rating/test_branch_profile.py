"""Profiles of two powers on a measured product: against the product simulated through them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bench.virtual.prototype import simulate
from fit.errors import InputError
from fit.rating.branch_profile import BranchProfile
from fit.rating.branches import rate_branches
from fit.rating.power_profile import Profile, read_profile
from fit.records.run import Array
from tests.fit.rating.test_branches import HOTTEST_DEGC, TOUCHED_DEGC, settled
from tests.support.made_trees import AMBIENT_DEGC, SOURCES, budget, prototype

TIMES_S = np.array([0.0, 120.0, 300.0, 900.0])
POWERS_W = np.array([[6.0, 0.0], [0.0, 5.0], [3.0, 1.0], [3.0, 1.0]])
HEADER = "t_s,power_charger_W,power_driver_W\n"


def run(power_W: Array = POWERS_W, t_s: Array = TIMES_S, repeat: bool = False) -> BranchProfile:
    profile = Profile(Path("p.csv"), t_s, power_W, repeat, SOURCES)
    found = rate_branches(settled(), budget(), None, TOUCHED_DEGC, profile).profile
    assert found is not None
    return found


def simulated(periods: int = 1) -> dict[str, Array]:
    """The product through the profile so many times, every second, in the hottest air."""
    t_s = np.arange(0.0, 900.0 * periods)
    at = np.searchsorted(TIMES_S, t_s % 900.0, side="right") - 1
    warmer = HOTTEST_DEGC - AMBIENT_DEGC
    return {node: one + warmer for node, one in simulate(prototype(), t_s, POWERS_W[at]).items()}


@pytest.mark.parametrize(("repeat", "periods"), [(False, 1), (True, 30)])
def test_peaks_are_those_of_the_product_itself(repeat: bool, periods: int) -> None:
    found, true = run(repeat=repeat), simulated(periods)
    for peak in found.sources:
        last = true[peak.node][-900:]
        assert abs(peak.peak_degC - last.max()) < 2 * peak.peak_u_K
        assert abs(peak.peak_t_s - last.argmax()) < 15.0
    assert found.skin_degC.max() == pytest.approx(true["case"][-900:].max(), abs=0.3)


def test_temperatures_follow_the_product_all_the_way() -> None:
    found, true = run(), simulated()
    seconds = np.arange(900.0)
    for s, peak in enumerate(found.sources):
        at = np.interp(seconds, found.t_s, found.source_degC[:, s])
        assert np.abs(at - true[peak.node]).max() < 0.5


def test_powers_held_settle_where_the_rating_at_rest_says() -> None:
    design = np.array([source.power_W for source in budget().sources])
    held = run(np.tile(design, (2, 1)), np.array([0.0, 1e6]))
    rated = rate_branches(settled(), budget(), None, TOUCHED_DEGC).sources
    assert [one.peak_degC for one in held.sources] == pytest.approx(
        [one.degC.value for one in rated], abs=0.01
    )


def test_at_the_allowable_factor_the_first_limit_is_just_reached() -> None:
    factor = run().allowable_factor
    assert factor is not None
    over = [one.peak_degC - (one.limit_degC or np.inf) for one in run(factor * POWERS_W).sources]
    assert max(over) == pytest.approx(0.0, abs=0.01)


def test_each_source_has_its_column(tmp_path: Path) -> None:
    path = tmp_path / "p.csv"
    path.write_text("power_driver_W,t_s,power_charger_W\n1,0,2\n0,60,0\n")
    profile = read_profile(path, sources=SOURCES)
    assert profile.power_W.tolist() == [[2.0, 1.0], [0.0, 0.0]]
    assert (profile.mean_each_W.tolist(), profile.mean_W) == ([2.0, 1.0], 3.0)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "t_s,power_W\n0,1\n1,0\n",
            "line 1: no column power_charger_W; begin with the line " + HEADER,
        ),
        ("t_s,power_charger_W\n0,1\n1,0\n", "line 1: no column power_driver_W"),
        ("t_s,power_charger_W,power_driver_W,power_fan_W\n0,1,1,1\n1,0,0,0\n", "fan is no source"),
        (HEADER + "0,1,1\n5,2,-1\n", "line 3, power_driver_W: '-1' will not do"),
        (HEADER + '0,1,1\n5,2,"1,5"\n', "line 3, power_driver_W: '1,5' will not do"),
        (HEADER + "0,1,1\n5,2,\n", "line 3, power_driver_W: '' will not do"),
        (HEADER + "0,1,1\n5,2\n", "line 3: has 2 cells"),
    ],
)
def test_a_bad_profile_is_refused_with_its_place(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "p.csv"
    path.write_text(text)
    with pytest.raises(InputError) as refused:
        read_profile(path, sources=SOURCES)
    assert message.strip() in str(refused.value)
