"""The line driver: every form of line, and everything that goes wrong on a serial port."""

from __future__ import annotations

import math
import os
import time
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.clock import RealClock
from bench.instruments import DRIVERS, open_driver, settings_class
from bench.instruments.line import Settings, parser
from bench.virtual.ports import HAS_PTY
from bench.virtual.reader import FORMATS, LineReader
from fit.errors import InstrumentLost, PortError
from tests.support.virtual_instruments import (
    MADE,
    NODES,
    PORTS,
    SUPPLY,
    driver,
    next_reading,
    read_on,
    served,
)

needs_pty = pytest.mark.skipif(not HAS_PTY, reason="this system has no pty")


def reader(values: Any = MADE, form: str = "separated") -> LineReader:
    return LineReader(lambda: values, FORMATS[form])


def parse(line: str, **keys: Any) -> dict[str, float] | None:
    return parser(Settings.model_validate({"name": "a", "driver": "line", "port": "x", **keys}))(
        line
    )


@pytest.mark.parametrize(
    ("line", "keys"),
    [
        ("61.25,37.5", {"fields": ["tab", "case"]}),
        (" 61.25 ; 37.5 ", {"fields": ["tab", "case"], "separator": ";"}),
        ("61.25   37.5", {"fields": ["tab", "case"], "separator": " "}),
        ("1,61.25,37.5,9", {"fields": ["_", "tab", "case", "_"]}),
        ("T1=61.25 C T2=37.5", {"pattern": r"T1=(?P<tab>[-\d.]+) C T2=(?P<case>[-\d.]+)"}),
        ('{"tab": 61.25, "case": 37.5, "id": "a"}', {"format": "json"}),
        ('{"t": {"tab": 61.25, "case": 37.5}}', {"format": "json", "fields": ["t.tab", "t.case"]}),
        ("tab=61.25, case: 37.5", {"format": "key=value"}),
        ("case=37.5 tab=61.25 n=3", {"format": "key=value", "fields": ["tab", "case"]}),
    ],
)
def test_each_form_of_line_gives_its_fields(line: str, keys: dict[str, Any]) -> None:
    values = parse(line, **keys)
    assert values is not None
    assert {name.removeprefix("t."): value for name, value in values.items()} == {
        "tab": 61.25,
        "case": 37.5,
    }


@pytest.mark.parametrize(
    ("line", "keys"),
    [
        ("61.25", {"fields": ["tab", "case"]}),
        ("61.25,37.5,3", {"fields": ["tab", "case"]}),
        ("TAB,CASE", {"fields": ["tab", "case"]}),
        ("T1=61", {"pattern": r"T2=(?P<tab>[-\d.]+)"}),
        ('{"tab": 61.25', {"format": "json"}),
        ("[61.25]", {"format": "json"}),
        ("tab=61.25", {"format": "key=value", "fields": ["tab", "case"]}),
    ],
)
def test_a_line_that_does_not_match_is_no_reading(line: str, keys: dict[str, Any]) -> None:
    assert parse(line, **keys) is None


TWO = {"fields": ["tab", "case"]}
AROUND = {"pattern": r"T1=(?P<tab>[-\d.]+) C T2=\s*(?P<case>[-\d.]+) C"}


@pytest.mark.parametrize(
    ("line", "keys"),
    [
        *((f"61.25,{word}", TWO) for word in ("OPEN", "OL", "---", "nan", "3x", "1_0", "inf", "")),
        *((f"T1=61.25 C T2= {word} C", AROUND) for word in ("OPEN", "OL", "---", "nan")),
        ('{"tab": 61.25, "case": "OL"}', {"format": "json", **TWO}),
        ('{"tab": 61.25, "case": true}', {"format": "json", **TWO}),
        ("tab=61.25 case=---", {"format": "key=value", **TWO}),
    ],
)
def test_a_field_that_is_no_number_empties_its_own_cell(line: str, keys: dict[str, Any]) -> None:
    values = parse(line, **keys)
    assert values is not None
    assert values["tab"] == 61.25
    assert math.isnan(values["case"])


def test_an_open_couple_is_named_once_with_its_line_and_again_after_it_came_back() -> None:
    case = iter([37.0, math.nan, math.nan, 37.0, math.nan, *[37.0] * 20])
    behaviour = LineReader(lambda: {"tab": 61.25, "case": next(case)})
    with served(behaviour) as port, driver("line", port.url, query="READ?", **TWO) as here:
        told = []
        for _ in range(5):
            assert here.read() is not None
            told.append(here.take_bad_lines())
    assert [len(lines) for lines in told] == [0, 1, 0, 0, 1]
    assert told[1] == ["case: no number in '61.2500,open'"]


def test_a_long_line_of_words_costs_a_pattern_no_time() -> None:
    keys = {"pattern": "".join(rf"\s*(?P<t{i}>[-\d.]+)" for i in range(6)) + "!"}
    assert parse("x" * 4000, **keys) is None


@pytest.mark.parametrize("word", ["nan", "NaN", "OPEN", ""])
def test_a_sensor_without_reading_is_missing_and_the_others_are_kept(word: str) -> None:
    values = parse(f"61.25,{word}", fields=["tab", "case"])
    assert values is not None
    assert values["tab"] == 61.25
    assert math.isnan(values["case"])


@given(st.text(max_size=80), st.sampled_from(["separated", "json", "key=value", "pattern"]))
def test_no_line_whatever_ends_the_run(line: str, form: str) -> None:
    keys = {"pattern": r"(?P<tab>\S+)"} if form == "pattern" else {"fields": ["tab"]}
    values = parse(line, format=form, **keys)
    assert values is None or set(values) == {"tab"}


@given(st.lists(st.floats(-300, 2000), min_size=5, max_size=5))
def test_what_a_reader_writes_is_what_is_read(values: list[float]) -> None:
    made = dict(zip(NODES, (round(v, 4) for v in values), strict=True))
    for form in ("separated", "json", "key=value"):
        assert parse(FORMATS[form](made), format=form, fields=list(NODES)) == made


@pytest.mark.parametrize("port", PORTS)
def test_a_reader_is_asked(port: Any) -> None:
    with (
        served(reader(), port) as there,
        driver("line", there.url, fields=NODES, query="READ?") as here,
    ):
        assert next_reading(here).values == MADE


@pytest.mark.parametrize("port", PORTS)
def test_a_reader_streams(port: Any) -> None:
    with (
        served(reader(), port, stream_every_s=0.02) as there,
        driver("line", there.url, fields=NODES) as here,
    ):
        times = [next_reading(here).t_s for _ in range(5)]
        assert times == sorted(times)
        assert here.take_bad_lines() == []


def test_garbage_is_kept_as_bad_lines_and_reading_goes_on() -> None:
    noise = iter([b"\xff\x00\xfe21,\n", b"hello\n", b"21.5,22\n"])
    with (
        served(reader(), stream_every_s=0.02) as there,
        driver("line", there.url, fields=NODES) as here,
    ):
        next_reading(here)
        there.faults.garble = lambda data: next(noise, data)
        assert next_reading(here).values == MADE
        time.sleep(0.2)
        for _ in range(6):
            here.read()
        bad = here.take_bad_lines()
        assert len(bad) == 3
        assert bad[1] == "hello"
        assert here.take_bad_lines() == []


def test_half_lines_are_never_taken_for_readings() -> None:
    with (
        served(reader(), stream_every_s=0.02) as there,
        driver("line", there.url, fields=NODES) as here,
    ):
        there.faults.garble = lambda data: data[: len(data) // 2]
        seen = [here.read() for _ in range(10)]
        there.faults.garble = None
        assert all(one is None or one.values == MADE for one in seen)
        assert next_reading(here).values == MADE


def test_a_line_without_end_is_bounded_and_reading_goes_on() -> None:
    with (
        served(reader(), stream_every_s=0.01) as there,
        driver("line", there.url, fields=NODES) as here,
    ):
        there.faults.garble = lambda data: b"7" * 500
        for _ in range(3):
            assert here.read() is None
        there.faults.garble = None
        assert next_reading(here).values == MADE


def test_a_silent_reader_gives_nothing_within_its_deadline() -> None:
    with (
        served(reader()) as there,
        driver("line", there.url, fields=NODES, query="READ?") as here,
    ):
        there.faults.silent = True
        start = time.monotonic()
        assert here.read() is None
        assert 0.25 < time.monotonic() - start < 5.0
        there.faults.silent = False
        assert next_reading(here).values == MADE


def test_an_answer_that_comes_in_pieces_is_one_reading() -> None:
    def in_two(data: bytes) -> bytes:
        there.port.send(data[:7])
        time.sleep(0.15)
        return data[7:]

    with (
        served(reader()) as there,
        driver("line", there.url, fields=NODES, query="READ?", reply_s=1.0) as here,
    ):
        there.faults.garble = in_two
        reading = here.read()
        assert reading is not None
        assert reading.values == MADE


@pytest.mark.parametrize("port", PORTS)
def test_unplugged_is_lost_and_plugged_in_again_it_reads(port: Any) -> None:
    with (
        served(reader(), port, stream_every_s=0.02) as there,
        driver("line", there.url, fields=NODES) as here,
    ):
        next_reading(here)
        before = os.path.realpath(there.url)
        there.port.unplug()
        with pytest.raises(InstrumentLost, match="lost on port"):
            read_on(here)
        with pytest.raises(PortError):
            here.open()
        holder = (
            os.open(os.devnull, os.O_RDONLY) if port is not PORTS[0].values[0] else os.openpty()
        )
        there.port.replug()
        here.open()
        assert next_reading(here).values == MADE
        if isinstance(holder, tuple):
            assert os.path.realpath(there.url) != before
        for descriptor in holder if isinstance(holder, tuple) else (holder,):
            os.close(descriptor)


@needs_pty
def test_a_port_taken_by_another_program_is_named() -> None:
    with served(reader()) as there, driver("line", there.url, fields=NODES):
        settings = settings_class("line")(name="b", driver="line", port=there.url, fields=NODES)
        with pytest.raises(PortError, match="taken by another program"):
            open_driver(settings, RealClock()).open()


def test_a_port_that_does_not_exist_is_named() -> None:
    settings = settings_class("line")(name="b", driver="line", port="/dev/none", fields=NODES)
    with pytest.raises(PortError, match=r"b: port /dev/none (does not exist|cannot be opened)"):
        open_driver(settings, RealClock()).open()


MODBUS = {"register": [{"field": "tab", "address": 0}]}


@pytest.mark.parametrize("kind", DRIVERS)
def test_every_driver_is_closed_twice_without_complaint(kind: str) -> None:
    own = {"line": {"fields": NODES}, "scpi": SUPPLY, "modbus": MODBUS}
    keys = own.get(kind, {})  # others have a default for each
    settings = settings_class(kind).model_validate(
        {"name": "a", "driver": kind, "port": "/dev/none", **keys}
    )
    made = open_driver(settings, RealClock())
    made.close()
    made.close()
