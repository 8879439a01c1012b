"""`heatrun plan` and what `heatrun budget` adds for a designer."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path

import pytest

from tests.test_contract import call

DATA = Path(str(files("heatrun_data") / "charge_controller"))
BUDGET, RIG = DATA / "budget.toml", DATA / "rig.toml"


def test_document_has_the_keys_of_the_contract(capsys) -> None:
    status, out = call(capsys, "plan", BUDGET, "--rig", RIG, "--heat", 600, "--json")
    document = json.loads(out)
    assert (status, document["schema"]) == (0, "heatrun.plan/1")
    assert set(document) == {"schema", "spans", "thermocouples", "warnings"}
    assert set(document["spans"][0]) == {
        "from", "to", "stages", "R_K_per_W", "u_K_per_W", "decided_after_s", "p_conforming",
        "p_non_conforming", "detectable_excess_K_per_W",
    }  # fmt: skip
    assert document["thermocouples"][0]["u_without"].keys() == {
        "board_back - bar", "bar - case", "case - ambient",
    }  # fmt: skip


def test_a_person_reads_what_will_be_decided_and_both_figures_are_drawn(
    capsys, tmp_path, monkeypatch
) -> None:
    monkeypatch.setenv("COLUMNS", "110")
    status, out = call(capsys, "plan", BUDGET, "--heat", 600, "--png", tmp_path / "figures")
    assert status == 0
    assert "4.20 W for 10 min, a scan every 2 s" in out
    assert "via array is not measured" in out
    assert sorted(path.name for path in (tmp_path / "figures").iterdir()) == [
        "plan_thermocouples.png",
        "plan_uncertainty.png",
    ]


@pytest.mark.parametrize("rig", ["absent.toml", "budget.toml"])
def test_a_rig_that_is_none_is_one_line(capsys, rig: str) -> None:
    assert call(capsys, "plan", BUDGET, "--rig", DATA / rig)[0] == 2


def test_budget_document_states_the_worst_case(capsys) -> None:
    document = json.loads(call(capsys, "budget", BUDGET, "--json")[1])
    assert document["worst_case"]["junction"]["limit_degC"] == 125.0
    assert document["worst_case"]["case"]["limit_degC"] is None
    assert document["allowable_power_W"] > document["power_W"]


def test_budget_leads_with_temperatures_against_their_limits(capsys) -> None:
    out = call(capsys, "budget", BUDGET)[1]
    assert out.index("its limit is 125 °C") < out.index("Stages")
