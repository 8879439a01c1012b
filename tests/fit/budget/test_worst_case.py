"""The budget in its hottest air."""

from __future__ import annotations

from importlib.resources import files

import pytest

from fit.budget import predict, read_budget
from fit.budget.sources import outlook
from fit.budget.worst_case import TOUCH_AMBIENT_DEGC, worst_case

BUDGET = files("heatrun_data") / "charge_controller" / "budget.toml"


def test_at_the_allowable_power_the_junction_is_at_its_limit() -> None:
    budget = read_budget(BUDGET)
    found = worst_case(predict(budget))
    there = predict(budget, power_W=found.allowable_W, ambient_degC=55.0)
    assert found.ambient_degC == 55.0
    assert 55.0 + there.rise_K["junction"] == pytest.approx(125.0, abs=1e-3)


def test_of_one_source_it_is_what_the_outlook_of_sources_says() -> None:
    prediction = predict(read_budget(BUDGET))
    (only,) = outlook(prediction.budget, None, 55.0)
    found = worst_case(prediction)
    assert found.allowable_W == pytest.approx(only.allowable_W, rel=1e-5)
    assert found.degC["junction"] == pytest.approx(only.together_degC)


def test_without_a_limit_no_power_is_too_much(tmp_path) -> None:
    path = tmp_path / "budget.toml"
    stated = BUDGET.read_text(encoding="utf-8").replace("junction_degC = 125.0", "")
    path.write_text(stated.replace("case_touch_degC = 60.0", ""))
    found = worst_case(predict(read_budget(path)))
    assert found.allowable_W is None
    assert found.limit_degC == {}


def test_air_hotter_than_the_limit_allows_no_power(tmp_path) -> None:
    path = tmp_path / "budget.toml"
    stated = BUDGET.read_text(encoding="utf-8").replace(
        "junction_degC = 125.0", "junction_degC = 50.0"
    )
    path.write_text(stated)
    assert worst_case(predict(read_budget(path))).allowable_W == 0.0


def test_a_touch_limit_in_milder_air_counts_for_the_power(tmp_path) -> None:
    path = tmp_path / "budget.toml"
    stated = BUDGET.read_text(encoding="utf-8")
    path.write_text(stated.replace("case_touch_degC = 60.0", "case_touch_degC = 40.0"))
    budget = read_budget(path)
    found = worst_case(predict(budget))
    there = predict(budget, power_W=found.allowable_W, ambient_degC=TOUCH_AMBIENT_DEGC)
    assert there.rise_K["case"] + TOUCH_AMBIENT_DEGC == pytest.approx(40.0, abs=1e-3)
    assert "case" not in found.limit_degC  # none in the hottest air
