"""A channel of kind forward_voltage: what it needs, and what is refused in one line."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest

from bench.rig.schema import rig_from
from bench.virtual.scenarios import SCENARIOS
from fit.errors import RigError


def tables() -> dict[str, Any]:
    text = (SCENARIOS["junction"] / "rig.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def test_the_junction_is_no_node_of_the_scans() -> None:
    rig = rig_from(tables(), "rig.toml")
    assert rig.nodes == ("tab", "board_back", "bar", "case", "ambient")
    assert rig.junction is not None
    assert rig.junction.node == "junction"
    assert rig.junction.sense_mA == 5.0


def test_its_sense_current_and_stated_points_are_kept_in_the_run() -> None:
    given = tables()
    given["channel"][-1]["points_degC_V"] = [[25.0, 0.612], [85.0, 0.489]]
    kept = rig_from(given, "rig.toml").document()["channel"][-1]
    assert kept["sense_mA"] == 5.0
    assert kept["points_degC_V"] == [[25.0, 0.612], [85.0, 0.489]]


def test_what_a_plan_needs_of_its_readings_is_kept() -> None:
    given = tables()
    given["channel"][-1] |= {"first_us": 200.0, "noise_mV": 0.3}
    kept = rig_from(given, "rig.toml").document()["channel"][-1]
    assert (kept["first_us"], kept["noise_mV"]) == (200.0, 0.3)


def test_a_thermocouple_has_no_first_reading() -> None:
    given = tables()
    given["channel"][0]["first_us"] = 200.0
    with pytest.raises(RigError, match="first_us: is of a forward voltage"):
        rig_from(given, "rig.toml")


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"sense_mA": None}, "sense_mA: is missing"),
        ({"unit": "degC"}, 'unit = "V"'),
        ({"instrument": "reader", "field": "tab"}, "no"),
        ({"kind": None}, "sense_mA: is of a forward voltage"),
        ({"match_u": 0.004}, "match_u: means nothing"),
        ({"points_degC_V": [[25.0, 0.6], [25.0, 0.6]]}, "points_degC_V: make no slope"),
        ({"field": "volts"}, "has no field 'volts'"),
    ],
)
def test_what_a_forward_voltage_lacks_or_does_not_take_is_refused(
    change: dict[str, Any], told: str
) -> None:
    given = tables()
    channel = given["channel"][-1] | change
    given["channel"][-1] = {key: value for key, value in channel.items() if value is not None}
    with pytest.raises(RigError) as refused:
        rig_from(given, "rig.toml")
    assert told in str(refused.value)
    assert "\n" not in str(refused.value)


def test_a_sense_source_cannot_switch_the_power() -> None:
    given = tables()
    given["instrument"][-1]["switch"] = {"on": ["ON"], "off": ["OFF"]}
    with pytest.raises(RigError, match="does not say how the watchdog switches it off"):
        rig_from(given, "rig.toml")


def test_no_guard_stands_on_a_junction_that_is_read_in_windows() -> None:
    given = tables()
    given["guard"]["max_degC"]["junction"] = 120.0
    with pytest.raises(RigError, match="no channel measures node 'junction'"):
        rig_from(given, "rig.toml")
