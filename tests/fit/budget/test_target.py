"""What would have to change: each value found is put in again and predicted."""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from fit.budget import predict, read_budget
from fit.budget.model import Budget
from fit.budget.stages.surface import ALL_FACES
from fit.budget.target import (
    FARTHEST,
    Target,
    _crossing,
    _next_step,
    what_to_change,
    with_input,
)
from fit.errors import BudgetError
from tests.fit.budget.test_prediction import two_stages
from tests.fit.budget.test_sources import two_parts

BUDGET = Path(str(files("heatrun_data") / "charge_controller" / "budget.toml"))
AIR_degC = 55.0


@pytest.fixture(scope="module")
def controller() -> Budget:
    return read_budget(BUDGET)


@pytest.fixture(scope="module")
def colder(controller: Budget) -> Target:
    return what_to_change(predict(controller), "junction", 90.0, AIR_degC)


def degC_with(budget: Budget, stage: str, key: str, value: float, node: str = "junction") -> float:
    """The node's temperature with one input changed, by the prediction itself."""
    stages = [with_input(s, key, value) if s.name == stage else s for s in budget.stages]
    changed = replace(budget, stages=tuple(stages))
    return AIR_degC + predict(changed, ambient_degC=AIR_degC).rise_K[node]


def test_every_value_needed_brings_the_node_to_its_target(
    controller: Budget, colder: Target
) -> None:
    found = [change for change in colder.changes if change.needed is not None]
    assert len(found) >= 4
    for change in found:
        if change.key != "count":
            there = degC_with(controller, change.stage, change.key, change.needed)
            assert there == pytest.approx(90.0, abs=0.01)


def test_of_vias_it_is_the_least_whole_number_that_will_do(
    controller: Budget, colder: Target
) -> None:
    (vias,) = (change for change in colder.changes if change.key == "count")
    assert vias.needed == int(vias.needed)
    assert degC_with(controller, vias.stage, "count", vias.needed) <= 90.0
    assert degC_with(controller, vias.stage, "count", vias.needed - 1) > 90.0


def test_the_next_step_buys_what_the_prediction_says(controller: Budget, colder: Target) -> None:
    for change in colder.changes:
        there = degC_with(controller, change.stage, change.key, change.value + change.step)
        assert change.K_per_step == pytest.approx(colder.now_degC - there, abs=1e-6)


def test_vias_bring_less_and_less(colder: Target) -> None:
    """R goes as 1/N (Fourier's law, barrels in parallel): the second ten bring half the first."""
    (vias,) = (change for change in colder.changes if change.key == "count")
    at = dict(zip(vias.values, vias.degC, strict=True))
    assert at[20.0] - at[32.0] > at[32.0] - at[50.0]


def test_what_cannot_alone_says_how_far_it_comes(controller: Budget, colder: Target) -> None:
    (pad,) = (one for one in colder.changes if (one.stage, one.key) == ("pad", "thickness_mm"))
    assert pad.needed is None
    value, degC = pad.best
    assert value == pytest.approx(pad.value / FARTHEST)
    assert degC == pytest.approx(degC_with(controller, "pad", "thickness_mm", value), abs=0.01)
    assert degC > 90.0


def test_a_share_goes_no_further_than_one(colder: Target) -> None:
    (finish,) = (change for change in colder.changes if change.key == "emissivity")
    assert finish.values[-1] == pytest.approx(1.0, abs=1e-5)


def test_a_target_that_is_met_says_how_far_each_may_be_given_back(controller: Budget) -> None:
    found = what_to_change(predict(controller), "junction", 105.0, AIR_degC)
    (vias,) = (change for change in found.changes if change.key == "count")
    assert found.reached
    assert vias.needed < vias.value
    assert degC_with(controller, vias.stage, "count", vias.needed) <= 105.0
    assert degC_with(controller, vias.stage, "count", vias.needed - 1) > 105.0


def test_power_alone_is_what_a_resistance_says() -> None:
    """Two stages of 5 K/W and a path share of 0.95: 20 K take 20/5/0.95 W."""
    found = what_to_change(predict(two_stages()), "tab", 45.0, 25.0)
    assert found.allowable_W == pytest.approx(20.0 / 5.0 / 0.95)


def test_a_stated_resistance_needed_is_the_one_by_hand() -> None:
    found = what_to_change(predict(two_stages()), "tab", 40.2, 25.0)
    needed = {change.stage: change.needed for change in found.changes}
    # 3.8 W into the path: 15.2 K are 4 K/W, one less than both have.
    assert needed == {"inner": pytest.approx(1.0, rel=1e-3), "outer": pytest.approx(2.0, rel=1e-3)}


def test_what_has_to_change_least_comes_first() -> None:
    """The outer stage by a factor of 3/2, the inner one by 2: the same kelvin per watt."""
    found = what_to_change(predict(two_stages()), "tab", 40.2, 25.0)
    assert [change.stage for change in found.changes] == ["outer", "inner"]


def test_what_alone_does_not_do_comes_last_by_what_its_next_step_buys(colder: Target) -> None:
    needed = [change.needed for change in colder.changes]
    first_without = needed.index(None)
    assert all(one is None for one in needed[first_without:])
    gains = [change.K_per_step for change in colder.changes[first_without:]]
    assert gains == sorted(gains, reverse=True)


def test_of_two_values_that_will_do_the_nearer_is_given() -> None:
    """Below 3 and above 100 it is cold enough; stated is 10, 3.3 times the one and a tenth of the
    other. Looked at were 1, 9, 10, 11 and 1000."""

    def degC(x: float) -> float:
        return 80.0 if x <= 3.0 or x >= 100.0 else 100.0

    values = np.array([1.0, 9.0, 10.0, 11.0, 1000.0])
    looked = np.array([degC(x) for x in values])
    found = _crossing(values, looked, 10.0, 90.0, degC, whole=False)
    assert found == pytest.approx(3.0, rel=1e-3)


def test_a_step_that_would_leave_nothing_is_half_of_what_there_is() -> None:
    """1 K per unit, 0.05 stated in steps of 0.1: 0.025 less."""
    step, gained_K = _next_step(0.05, 0.1, 30.05, lambda x: 30.0 + x)
    assert (step, gained_K) == (pytest.approx(-0.025), pytest.approx(0.025))


def test_where_neither_way_is_colder_the_next_step_buys_nothing() -> None:
    assert _next_step(1.0, 0.1, 30.0, lambda x: 30.0 + abs(x - 1.0))[1] == 0.0
    assert _next_step(1.0, 0.1, 30.0, lambda x: None) == (0.1, 0.0)


def test_a_larger_case_is_larger_every_way(controller: Budget) -> None:
    keys = with_input(controller.stages[-1], ALL_FACES, 4 * 27368.0).keys
    assert [face.height_mm for face in keys.faces] == pytest.approx([42.8, 42.8, 68.0, 68.0])


def test_an_input_that_the_node_does_not_feel_is_not_listed(controller: Budget) -> None:
    found = what_to_change(predict(controller), "case", 60.0, AIR_degC)
    assert {change.stage for change in found.changes} == {"case to air"}


def test_in_a_tree_the_other_branch_is_felt_by_what_joins_them() -> None:
    found = what_to_change(predict(two_parts()), "one", 48.0, 20.0)
    gains = {change.stage: change.K_per_step for change in found.changes}
    assert gains["one to bar"] > gains["two to bar"] > 0


@pytest.mark.parametrize(("node", "degC"), [("tabb", 90.0), ("ambient", 90.0), ("tab", 25.0)])
def test_what_no_product_can_is_refused_in_one_line(node: str, degC: float) -> None:
    with pytest.raises(BudgetError, match=r"--target: [^\n]+; [^\n]+$"):
        what_to_change(predict(two_stages()), node, degC, 25.0)
