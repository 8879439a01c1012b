"""Time as other loggers write it: units, stamps, times of day."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from fit.records.run import read_run
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


@pytest.mark.parametrize(
    ("unit", "words"),
    [("min", "time: column 'Time' [min]"), (None, "time: column 'Time' [s, as no --time-unit")],
)
def test_the_unit_that_time_was_taken_in_is_said(
    tmp_path: Path, unit: str | None, words: str
) -> None:
    origin = document_of(brought_in(tmp_path, PLAIN, time_unit=unit))["import"]
    assert isinstance(origin, dict)
    assert any(words in note for note in origin["notes"])


def test_date_and_time_between_blanks_are_taken_by_number(tmp_path: Path) -> None:
    text = "".join(
        f"  {datetime(2026, 3, 29, 23, 59, 58) + timedelta(seconds=t):%Y-%m-%d %H:%M:%S.%f} "
        f" {a}   {b} {p}\n"
        for t, a, b, p in zip(T_S, TAB, CASE, POWER, strict=True)
    )
    by_number = {"time": ("1", "2"), "nodes": {"tab": "3", "case": "4"}, "power": "5"}
    same_readings(brought_in(tmp_path, text, **by_number))


def test_elapsed_hours_minutes_and_seconds_are_a_form_of_time(tmp_path: Path) -> None:
    text = PLAIN.replace("\n0.0,", "\n00:59:59.0,").replace("\n1.0,", "\n01:00:00.0,")
    text = text.replace("\n2.5,", "\n01:00:01.5,").replace("\n4.0,", "\n01:00:03.0,")
    same_readings(brought_in(tmp_path, text, time_format="%H:%M:%S.%f"))


@pytest.mark.parametrize("form", ["{:02}:{:02}:{:06.3f}", "{}:{:02}:{:04.1f}"])
def test_time_of_day_goes_on_past_midnight(tmp_path: Path, form: str) -> None:
    text = PLAIN.splitlines()[0] + "\n"
    for t, line in zip(T_S, PLAIN.splitlines()[1:], strict=True):
        s = (86398.0 + t) % 86400
        clock = form.format(int(s // 3600), int(s % 3600 // 60), s % 60)
        text += f"{clock},{line.split(',', 1)[1]}\n"
    run = brought_in(tmp_path, text)
    same_readings(run)
    assert any("midnight passed once" in note for note in document_of(run)["import"]["notes"])


@pytest.mark.parametrize(
    ("unit", "seconds"), [("s", 1.0), ("ms", 1e-3), ("min", 60.0), ("h", 3600.0)]
)
def test_time_units(tmp_path: Path, unit: str, seconds: float) -> None:
    text = "Time,T1,T2,P\n" + "".join(
        f"{1.7e9 + t / seconds:.7f},{a},{b},{p}\n"
        for t, a, b, p in zip(T_S, TAB, CASE, POWER, strict=True)
    )
    run = brought_in(tmp_path, text, time_unit=unit)
    np.testing.assert_allclose(run.t_s, T_S, atol=2e-3)


@pytest.mark.parametrize(
    "form",
    [
        "%Y-%m-%d %H:%M:%S.%f",
        "%Y-%m-%dT%H:%M:%S,%f",
        "%Y-%m-%dT%H:%M:%S.%f+02:00",
        "%Y-%m-%dT%H:%M:%S.%fZ",
    ],
)
def test_iso_stamps_are_known_by_themselves(tmp_path: Path, form: str) -> None:
    text = "Time;T1;T2;P\n" + "".join(
        f"{datetime(2026, 3, 29, 1, 59, 58) + timedelta(seconds=t):{form}};{a};{b};{p}\n"
        for t, a, b, p in zip(T_S, TAB, CASE, POWER, strict=True)
    )
    same_readings(brought_in(tmp_path, text))


def test_the_start_is_taken_from_stamps_with_a_zone(tmp_path: Path) -> None:
    text = "Time,T1,T2,P\n2026-03-29T01:59:58+02:00,23,22,0\n2026-03-29T01:59:59+02:00,23,22,0\n"
    document = document_of(brought_in(tmp_path, text))
    assert document["started"] == "2026-03-28T23:59:58Z"
    assert document["import"]["started_from"] == "the stamps"


def test_date_and_time_of_day_may_stand_in_two_columns(tmp_path: Path) -> None:
    text = "Date\tClock\tT1\tT2\tP\n" + "".join(
        f"{datetime(2026, 3, 29, 23, 59, 58) + timedelta(seconds=t):%d.%m.%Y\t%H:%M:%S.%f}"
        f"\t{a}\t{b}\t{p}\n"
        for t, a, b, p in zip(T_S, TAB, CASE, POWER, strict=True)
    )
    run = brought_in(tmp_path, text, time=("Date", "Clock"), time_format="%d.%m.%Y %H:%M:%S.%f")
    same_readings(run)
    notes = document_of(run)["import"]["notes"]
    assert "time: column 'Date' and column 'Clock' [stamps]" in notes


def test_stamps_without_a_zone_are_said_to_be_taken_as_utc(tmp_path: Path) -> None:
    text = "Time,T1,T2,P\n2026-03-29 01:59:58,23,22,0\n2026-03-29 01:59:59,23,22,0\n"
    origin = document_of(brought_in(tmp_path, text))["import"]
    assert "taken as UTC" in origin["started_from"]
    started = datetime.fromisoformat(str(document_of(read_run(tmp_path / "run"))["started"]))
    assert started == datetime(2026, 3, 29, 1, 59, 58, tzinfo=UTC)
