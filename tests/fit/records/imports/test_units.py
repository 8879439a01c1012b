"""Units that a file states itself: on a line under the header, or in the header."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fit.records.imports.units import stated_unit, temperature_unit
from tests.support.other_loggers import (
    CASE,
    PLAIN,
    POWER,
    T_S,
    TAB,
    brought_in,
    document_of,
    same_readings,
)


def table(header: str, units: str, case: list[str], power: list[str], t: list[str]) -> str:
    rows = zip(t, map(str, TAB), case, power, strict=True)
    return "\n".join([header, *([units] if units else []), *map(",".join, rows)]) + "\n"


FAHRENHEIT = [repr(value * 1.8 + 32) for value in CASE]
SECONDS, WATTS = [str(t) for t in T_S], [str(p) for p in POWER]
MINUTES, MILLIWATTS = [repr(t / 60) for t in T_S], [repr(p * 1000) for p in POWER]


@pytest.mark.parametrize(
    ("header", "units"),
    [
        ("Time,T1,T2,P", "s,°C,°F,W"),
        ("Time,T1,T2,P", "s,[C],[F],[W]"),
        ("Time,T1,T2,P", ",,deg F,"),
        ("Time,T1,T2,P", "hh:mm:ss,,°F,"),
    ],
)
def test_one_column_in_another_unit_than_the_rest(tmp_path: Path, header: str, units: str) -> None:
    run = brought_in(tmp_path, table(header, units, FAHRENHEIT, WATTS, SECONDS))
    same_readings(run)
    assert "case: column 'T2' [degF, as the file says]" in document_of(run)["import"]["notes"]


def test_minutes_and_milliwatts_under_the_header(tmp_path: Path) -> None:
    text = table("Time,T1,T2,P", "min,C,C,mW", [str(v) for v in CASE], MILLIWATTS, MINUTES)
    same_readings(brought_in(tmp_path, text))


def test_units_in_the_header(tmp_path: Path) -> None:
    header = "Time [min],T1 (°C),T2 / °F,P_mW"
    names = {
        "time": ("Time [min]",),
        "nodes": {"tab": "T1 (°C)", "case": "T2 / °F"},
        "power": "P_mW",
    }
    text = table(header, "", FAHRENHEIT, MILLIWATTS, MINUTES)
    same_readings(brought_in(tmp_path, text, **names))


def test_milliamperes_times_volts_are_watts_all_the_same(tmp_path: Path) -> None:
    text = table("Time,T1,T2,P", "s,V,C,mA", [str(v) for v in CASE], MILLIWATTS, SECONDS)
    run = brought_in(tmp_path, text, nodes={"case": "T2"}, power=None, supply_V="T1", supply_A="P")
    np.testing.assert_allclose(run.power, np.multiply(TAB, POWER))


def test_what_the_user_states_counts_and_the_contradiction_is_said(tmp_path: Path) -> None:
    text = PLAIN.replace("P\n", "P\ns,°C,°F,W\n")
    run = brought_in(tmp_path, text, temperature_unit="degC")
    same_readings(run)
    notes = document_of(run)["import"]["notes"]
    assert "case: column 'T2' [degC, though the file says '°F']" in notes


@pytest.mark.parametrize("title", ["K3", "K", "C", "F", "T1", "Kelvin probe", "Case back"])
def test_a_channels_name_is_no_unit(title: str) -> None:
    assert stated_unit("", title) == ""


@pytest.mark.parametrize("text", ["°F", "ºF", "øF", "\ufffdF", "℉", "deg F", "degF", "Fahrenheit"])
def test_fahrenheit_in_any_spelling_and_after_a_wrong_encoding(text: str) -> None:
    assert temperature_unit(text) == "degF"
