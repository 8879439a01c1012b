"""Temperatures, power and what is stated beside them, and what is refused."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fit.errors import RecordError
from fit.records.imports import convert as importing
from fit.records.imports.convert import Columns, Imported, import_file
from fit.records.imports.delimited import Format
from fit.records.run import read_run
from tests.support.other_loggers import (
    BY_NAME,
    CASE,
    PLAIN,
    POWER,
    T_S,
    TAB,
    TWO,
    brought_in,
    complaint,
    document_of,
    same_readings,
)


def test_stated_accuracy_is_kept_as_a_rig_would_state_it(tmp_path: Path) -> None:
    rig = document_of(brought_in(tmp_path, PLAIN, match_u=0.004, power_u=0.005))["rig"]
    assert isinstance(rig, dict)
    assert {c["node"]: c["match_u"] for c in rig["channel"]} == {"tab": 0.004, "case": 0.004}
    assert rig["power"] == {"u_relative": 0.005}


def test_no_rig_where_no_accuracy_is_stated(tmp_path: Path) -> None:
    assert document_of(brought_in(tmp_path, PLAIN))["rig"] is None


@pytest.mark.parametrize(
    ("unit", "from_degC"), [("K", lambda c: c + 273.15), ("degF", lambda c: c * 1.8 + 32)]
)
def test_temperature_units(tmp_path: Path, unit: str, from_degC: object) -> None:
    text = "Time,T1,T2,P\n" + "".join(
        f"{t},{from_degC(a)!r},{from_degC(b)!r},{p}\n"  # type: ignore[operator]
        for t, a, b, p in zip(T_S, TAB, CASE, POWER, strict=True)
    )
    same_readings(brought_in(tmp_path, text, temperature_unit=unit))


@pytest.mark.parametrize("kelvins", [{"temperature_unit": "K"}, {}], ids=["taken so", "not said"])
def test_a_bench_hardly_so_cold_or_hot_is_asked_about(
    tmp_path: Path, kelvins: dict[str, object]
) -> None:
    text = PLAIN if kelvins else PLAIN.replace("23.0,22", "296,295").replace(",2", ",29")
    notes = document_of(brought_in(tmp_path, text, **kelvins))["import"]["notes"]
    assert sum("--temperature-unit" in note for note in notes) == 2
    assert not any("right?" in note for note in _notes_of_a_plain_file(tmp_path / "plain"))


def _notes_of_a_plain_file(folder: Path) -> list[str]:
    folder.mkdir()
    return document_of(brought_in(folder, PLAIN))["import"]["notes"]


def test_power_in_another_unit_is_recorded_as_such(tmp_path: Path) -> None:
    assert brought_in(tmp_path, PLAIN, power_unit="percent").power_unit == "percent"


def test_stated_power_is_on_from_the_first_reading(tmp_path: Path) -> None:
    run = brought_in(tmp_path, PLAIN, power="12.5")
    assert run.power.tolist() == [12.5] * 4
    assert [event.event for event in run.events] == ["stop"]


def test_stated_power_steps_where_it_is_said_to(tmp_path: Path) -> None:
    run = brought_in(tmp_path, PLAIN, power="12W", power_on_s=0.7, power_off_s=4.0)
    assert run.power.tolist() == [0.0, 12.0, 12.0, 0.0]
    assert [(event.t_s, event.event) for event in run.events] == [
        (0.7, "power_on"),
        (4.0, "power_off"),
        (4.0, "stop"),
    ]


def test_a_whole_number_is_watts_where_columns_are_named(tmp_path: Path) -> None:
    assert brought_in(tmp_path, PLAIN, power="4").power.tolist() == [4.0] * 4


def test_a_whole_number_is_watts_where_it_is_said_to_step(tmp_path: Path) -> None:
    by_number = {"time": ("1",), "nodes": {"tab": "2"}, "power": "4", "power_on_s": 1.0}
    assert brought_in(tmp_path, PLAIN, **by_number).power.tolist() == [0.0, 4.0, 4.0, 4.0]


def test_a_whole_number_beyond_the_columns_is_watts(tmp_path: Path) -> None:
    by_number = {"time": ("1",), "nodes": {"tab": "2"}, "power": "12"}
    assert brought_in(tmp_path, PLAIN, **by_number).power.tolist() == [12.0] * 4


def test_volts_and_amperes_are_kept_as_two_columns(tmp_path: Path) -> None:
    run = brought_in(tmp_path, PLAIN, power=None, supply_V="T1", supply_A="P")
    np.testing.assert_allclose(run.power, np.multiply(TAB, POWER))


@pytest.mark.parametrize(
    ("text", "columns", "says"),
    [
        ("", {}, "is empty"),
        ("Time,T1,T2,P\n", {}, "holds no reading"),
        (PLAIN, {"nodes": {"tab": "T9"}}, "line 1: no column 'T9'; there are: Time, T1, T2, P"),
        (PLAIN, {"power": "Q"}, "no column 'Q'"),
        (PLAIN, {"time": ("0",), "nodes": {"tab": "2"}, "power": "4"}, "numbers, 1 to 4"),
        (PLAIN.replace("24.5", "24.5 C"), {}, "line 3, column 'T1': '24.5 C' is not a number"),
        (PLAIN.replace("26.125", "void"), {}, "--missing 'void'"),
        (PLAIN.replace("26.125", "inf"), {}, "line 5, column 'T1': 'inf' is not a number"),
        (PLAIN.replace("26.125", "1e300"), {}, "line 5, column 'T1': 1e300 is hotter than any"),
        (PLAIN.replace("26.125", "1e999"), {}, "line 5, column 'T1': 1e999 is hotter than any"),
        (PLAIN.replace("26.125,23.0,4.2", "26,23,-4.2"), {}, "line 5, column 'P': a power of -4.2"),
        (PLAIN.replace("26.125,23.0,4.2", "26,23,1e300"), {}, "a power of 1e+300; at most 1e+09"),
        (PLAIN.replace("4.0,26", "4e9,26"), {}, "line 5, column 'Time': 4e+09 s after the first"),
        (PLAIN, {"power": "1e300"}, "--power: 1e+300 is no heating power"),
        ("Time,T1,T2,P\n10:00:00,1,2,0\n09:59:00,1,2,0\n", {}, "runs backwards, by 60 s"),
        (PLAIN.replace("1.0,", "x,"), {}, "line 3, column 'Time': 'x' is not a number"),
        (PLAIN.replace("1.0,24.5,22.5,4.2", "1.0"), {}, "line 3: has too few cells"),
        (PLAIN.replace("2.5,", "0.5,"), {}, "line 4, column 'Time': time runs backwards, by 0.5 s"),
        (PLAIN.replace("23.0,22", "-1,22"), {"temperature_unit": "K"}, "below absolute zero"),
        (PLAIN, {"time_unit": "iso"}, "is no ISO 8601 time"),
        (PLAIN, {"power": "3", "power_on_s": 9.0}, "--power-on: 9 s is outside the record"),
        (PLAIN, {"power": "3", "power_on_s": 2.0, "power_off_s": 1.0}, "is not later"),
        (PLAIN, {"power_on_s": 2.0}, "go with a stated power"),
        (PLAIN, {"power": None}, "--power: is not given"),
        (PLAIN, {"supply_V": "T1"}, "go together"),
        (PLAIN, {"nodes": {"Tab": "T1"}}, "--node Tab: is no name"),
        (PLAIN, {"format": Format(encoding="ebcdic-9")}, "--encoding: 'ebcdic-9' is no encoding"),
        (PLAIN.replace("T2", "T1"), {"nodes": {"tab": "T1"}}, "by number; it is 2 and 3"),
        (PLAIN, {"nodes": {"tab": "T1", "case": "T1"}}, "column T1: is asked for twice"),
        (b"Time,T1\n0,\x00\n", {}, "line 2: holds NUL bytes"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named_and_nothing_is_left_behind(
    tmp_path: Path, text: str | bytes, columns: dict, says: str
) -> None:
    assert says in complaint(tmp_path, text, **columns)


def test_a_decimal_comma_that_was_denied_is_named(tmp_path: Path) -> None:
    text = PLAIN.replace(",", ";").replace(".", ",")
    says = complaint(tmp_path, text, format=Format(decimal="."))
    assert "--decimal ," in says or "is not a number" in says


def test_no_such_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="no such file"):
        import_file(tmp_path / "absent.csv", Columns(**BY_NAME), tmp_path / "run")  # type: ignore[arg-type]


def test_a_folder_that_exists_is_refused_and_untouched(tmp_path: Path) -> None:
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "mine").write_text("keep")
    with pytest.raises(RecordError, match="exists already"):
        brought_in(tmp_path, PLAIN)
    assert [path.name for path in (tmp_path / "run").iterdir()] == ["mine"]


def test_a_failure_while_writing_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(importing.Path, "rename", fail)
    (tmp_path / "log.txt").write_text(PLAIN)
    with pytest.raises(RecordError, match="No space left"):
        import_file(
            tmp_path / "log.txt",
            Columns(**BY_NAME),  # type: ignore[arg-type]
            tmp_path / "new" / "parent" / "run",
        )
    assert [path.name for path in tmp_path.iterdir()] == ["log.txt"]


@given(body=st.binary(max_size=200), with_header=st.booleans())
@settings(max_examples=150, deadline=None)
def test_no_bytes_whatever_end_in_anything_but_a_run_or_one_line(
    tmp_path_factory: pytest.TempPathFactory, body: bytes, with_header: bool
) -> None:
    folder = tmp_path_factory.mktemp("any")
    file = folder / f"any-{os.getpid()}.csv"
    file.write_bytes((PLAIN.encode() if with_header else b"") + body)
    outcome = attempt(file, folder / "run")
    if isinstance(outcome, Imported):
        assert np.all(np.diff(read_run(outcome.folder).t_s) > 0)
    else:
        assert len(outcome.splitlines()) == 1
        assert not (folder / "run").exists()


def attempt(file: Path, out: Path) -> Imported | str:
    """The import, or what it says is wrong."""
    try:
        return import_file(file, Columns(**BY_NAME), out)  # type: ignore[arg-type]
    except RecordError as error:
        return str(error)


OF_TWO = {"power": None, "sources": {"charger": "P", "regulator": "Q"}}


def test_the_power_of_each_of_several_sources_is_a_column_of_its_own(tmp_path: Path) -> None:
    run = brought_in(tmp_path, TWO, **OF_TWO)
    header = (run.path / "readings.csv").read_text().splitlines()[0]
    assert header == "t_s,tab_degC,case_degC,power_charger_W,power_regulator_W"
    assert run.sources == ("charger", "regulator")
    assert run.source_power is not None
    np.testing.assert_allclose(run.source_power, [[0, 0], [3, 2], [3, 0]])
    np.testing.assert_allclose(run.power, [0, 5, 3])


@pytest.mark.parametrize(
    ("columns", "what"),
    [
        (OF_TWO | {"power": "P"}, "--source and --power: do not go together"),
        (OF_TWO | {"power": "4.2"}, "--source and --power: do not go together"),
        (OF_TWO | {"supply_V": "P", "supply_A": "Q"}, "--source and --supply-voltage"),
        ({"power": None}, "--source NAME=COL for each of several sources"),
        ({"power": None, "sources": {"Charger 1": "P"}}, "is no name of a source"),
        ({"power": None, "sources": {"charger": "P", "regulator": "P"}}, "is asked for twice"),
        (OF_TWO | {"power_on_s": 1.0}, "go with a stated power"),
    ],
)
def test_sources_that_cannot_be_meant_are_refused(
    tmp_path: Path, columns: dict[str, Any], what: str
) -> None:
    assert what in complaint(tmp_path, TWO, **columns)
