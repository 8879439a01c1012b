"""[[source]] and phases of rig.toml: what they mean, and what is refused in one line."""

from __future__ import annotations

from importlib.resources import as_file
from typing import Any

import pytest

from bench.rig.schema import rig_from
from bench.rig.source_checks import check_against
from fit.budget import read_budget
from fit.errors import BudgetError, RigError
from tests.support.bench_rigs import short_rig
from tests.support.two_sources import SCENARIO, two_source_rig, two_source_tables


def refused(tables: dict[str, Any]) -> str:
    with pytest.raises(RigError) as told:
        rig_from(tables, "rig.toml")
    assert "\n" not in str(told.value)
    return str(told.value)


def test_each_source_has_its_fields_its_switch_and_its_columns() -> None:
    rig = two_source_rig()
    charger = rig.sources[0]
    assert (charger.name, charger.fields) == ("charger", ("charger_V", "charger_A"))
    assert charger.columns == ("charger_V", "charger_A")
    switching = rig.switching(charger)
    assert switching is not None
    assert switching.name == "supply_1"


def test_a_stated_source_is_kept_in_watts() -> None:
    tables = two_source_tables()
    tables["source"][0] = {"name": "charger", "power": "stated", "power_W": 3.0}
    rig = rig_from(tables, "rig.toml")
    assert rig.sources[0].columns == ("power_charger_W",)
    assert rig.switching(rig.sources[0]) is None


def test_without_phases_all_are_on_and_go_off_one_after_another_in_even_shares() -> None:
    tables = two_source_tables()
    del tables["sequence"]["phases"]
    tables["sequence"]["heat_s"] = 600.0
    heat = rig_from(tables, "rig.toml").heat
    assert heat.on == (frozenset({"charger", "regulator"}), frozenset({"regulator"}))
    assert heat.until_s == (300.0, 600.0)


def test_a_source_that_is_never_switched_is_in_no_phase() -> None:
    tables = two_source_tables()
    del tables["sequence"]["phases"]
    tables["source"][0]["switch"] = "none"
    assert rig_from(tables, "rig.toml").heat.on == (frozenset({"regulator"}),)


def test_a_rig_of_one_source_is_kept_in_the_run_as_it_was() -> None:
    document = short_rig({"reader": "/dev/reader", "supply": "/dev/supply"}).document()
    assert "source" not in document
    assert "phases" not in document["sequence"]


@pytest.mark.parametrize(
    ("phases", "what"),
    [
        ([{"on": [], "for_s": 1.0}], "phase 1: names no source"),
        ([{"on": ["fan"], "for_s": 1.0}], "no source named 'fan'"),
        ([{"on": ["charger", "charger"], "for_s": 1.0}], "names 'charger' twice"),
        ([{"on": ["charger"], "for_s": 0.0}], "sequence: phases"),
        ([{"on": ["charger"]}], "for_s: is missing"),
        ([{"on": ["charger"], "for_s": 1.0, "ramp": 2}], "ramp: unknown key"),
    ],
)
def test_a_phase_that_cannot_be_is_refused(phases: list[Any], what: str) -> None:
    assert what in refused(two_source_tables(sequence={"phases": phases}))


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"name": "regulator"}, "'regulator' is source 1 ('regulator') too"),
        ({"name": "Charger"}, "lower-case letters"),
        ({"name": "supply"}, "columns of a run of one source"),
        ({"switch": "relay"}, "no instrument named 'relay'; one of reader, supply_1, supply_2"),
        ({"switch": "reader"}, "instrument 'reader' has no [instrument.switch]"),
        ({"switch": "supply_2"}, "'supply_2' already switches 'charger'"),
        ({"V": "volts"}, "no instrument has a field 'volts'"),
        ({"V": "regulator_V"}, "'regulator_V' is already a figure of 'charger'"),
        ({"power_W": 3.0}, "power_W means nothing"),
        ({"power": "stated", "power_W": 3.0}, "V and A mean nothing"),
    ],
)
def test_a_source_that_cannot_be_is_refused(change: dict[str, Any], what: str) -> None:
    assert what in refused(two_source_tables(source=(change, {})))


@pytest.mark.parametrize("key", ["V", "A"])
def test_a_measured_source_needs_both_figures(key: str) -> None:
    tables = two_source_tables()
    del tables["source"][1][key]
    assert f"source 2 ('regulator'): {key}: is missing" in refused(tables)


def test_power_beside_sources_is_refused() -> None:
    tables = {**two_source_tables(), "power": {"source": "stated", "power_W": 4.0}}
    assert "power: stands beside [[source]]" in refused(tables)


def test_neither_power_nor_sources_is_refused() -> None:
    tables = two_source_tables()
    del tables["source"], tables["sequence"]["phases"]
    assert "power: is missing" in refused(tables)


def test_phases_of_a_rig_of_one_source_are_refused() -> None:
    tables = two_source_tables()
    del tables["source"]
    tables["power"] = {"source": "stated", "power_W": 4.0}
    assert "mean nothing with [power]" in refused(tables)


def test_heat_s_beside_phases_is_refused() -> None:
    assert "heat_s: means nothing" in refused(two_source_tables(sequence={"heat_s": 60.0}))


def test_sources_of_which_none_is_switched_are_refused() -> None:
    tables = two_source_tables(source=({"switch": "none"}, {"switch": "none"}))
    del tables["sequence"]["phases"]
    assert "none is ever switched" in refused(tables)


def test_a_budget_of_other_sources_is_refused() -> None:
    with as_file(SCENARIO / "budget.toml") as path:
        budget = read_budget(path)
    check_against(two_source_rig(), budget)
    other = two_source_rig(
        source=({"name": "driver"}, {}),
        sequence={"phases": [{"on": ["driver"], "for_s": 1.0}]},
    )
    with pytest.raises(BudgetError, match="are charger, regulator, and the rig's are driver"):
        check_against(other, budget)
