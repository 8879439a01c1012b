"""Heat that crosses the inner air of a sealed product."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.constants import Stefan_Boltzmann

from fit.budget import predict, read_budget
from fit.budget.inner_air import film_W_per_m2K, inner_air_leaks
from fit.errors import BudgetError

STAGES = """
schema = 1
[conditions]
power_W = 4.0
ambient_degC = 25.0
[[stage]]
name = "pad"
from = "board_back"
to = "bar"
kind = "stated"
R_K_per_W = 2.0
[[stage]]
name = "joint"
from = "bar"
to = "case"
kind = "stated"
R_K_per_W = 1.0
[[stage]]
name = "case to air"
from = "case"
to = "ambient"
kind = "stated"
R_K_per_W = 6.0
"""


def budget(tmp_path: Path, more: str):
    path = tmp_path / "budget.toml"
    path.write_text(STAGES + more, encoding="utf-8")
    return read_budget(path)


def test_three_faces_exchange_heat_as_a_star_about_the_air():
    """Star to mesh by hand: conductances 0.01, 0.02 and 0.07 W/K about an air of 0.10 W/K."""
    leaks = inner_air_leaks({"board": 1000.0, "bar": 2000.0, "case": 7000.0}, 10.0, 2.0)
    found = {(leak.node, leak.to_node): leak.R_K_per_W for leak in leaks}
    assert found[("board", "bar")] == pytest.approx(0.10 / (0.01 * 0.02))
    assert found[("board", "case")] == pytest.approx(0.10 / (0.01 * 0.07))
    assert found[("bar", "case")] == pytest.approx(0.10 / (0.02 * 0.07))
    assert all(leak.R_u_K_per_W == pytest.approx(0.2 * leak.R_K_per_W) for leak in leaks)


def test_heat_beside_the_path_leaves_less_for_pad_and_joint_and_all_for_the_case(tmp_path):
    """Board and case alone: 1/(h A) twice in series beside the 3 K/W of pad and joint."""
    air = "[inner_air]\nboard_mm2 = 4000\ncase_mm2 = 12000\nh_W_per_m2K = 10\n"
    share = predict(budget(tmp_path, air)).heat_share
    beside = 1 / (10 * 4000e-6) + 1 / (10 * 12000e-6)
    assert share == pytest.approx([beside / (beside + 3)] * 2 + [1.0], rel=1e-6)


def test_a_face_may_be_named_short_of_its_side(tmp_path):
    leaks = budget(tmp_path, "[inner_air]\nboard_mm2 = 4000\ncase_mm2 = 12000\n").leaks
    assert [(leak.node, leak.to_node) for leak in leaks] == [("board_back", "case")]


def test_the_film_is_weak_convection_and_radiation_at_50_degC():
    """h = 3 + 0.8 · 4σT³, each with its own doubt: 1 of 3 W/(m² K) and 0.1 of 0.8 (by hand)."""
    black = 4 * Stefan_Boltzmann * 323.15**3
    assert film_W_per_m2K() == pytest.approx((3 + 0.8 * black, np.hypot(1.0, 0.1 * black)))


def test_the_film_is_uncertain_by_its_own_share(tmp_path):
    (leak,) = budget(tmp_path, "[inner_air]\nboard_mm2 = 4000\ncase_mm2 = 12000\n").leaks
    assert 0.1 < leak.R_u_K_per_W / leak.R_K_per_W < 0.2


@pytest.mark.parametrize(
    ("air", "said"),
    [
        ("plate_mm2 = 4000\ncase_mm2 = 1", "no stage begins at 'plate'"),
        ("case_mm2 = 4000", "has one face only"),
        ("board = 4000\ncase_mm2 = 1", "is no key of it"),
        ("board_mm2 = -1\ncase_mm2 = 1", "inner_air"),
        ("board_mm2 = 1\ncase_mm2 = 1\nh_W_per_m2K = 3\nh_W_per_m2K_u = 4", "not below the value"),
    ],
)
def test_a_wrong_inner_air_is_refused_with_its_place(tmp_path, air, said):
    with pytest.raises(BudgetError, match=said):
        budget(tmp_path, f"[inner_air]\n{air}\n")


def test_without_side_ways_every_stage_takes_the_path_fraction(tmp_path):
    assert predict(budget(tmp_path, "")).heat_share == pytest.approx(np.ones(3))
