"""The driver of a sense source: a window is one line, and what is none is a bad line."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.instruments.base import Window
from bench.instruments.window import parsed
from bench.virtual.instrument import Faults
from fit.errors import InstrumentRefused
from tests.support.virtual_instruments import PORTS, driver, next_reading, read_on, served

LINE = "VF 100:0.601130 250:0.602000"


class Sends:
    """Answers VF? with the same line each time, or sends it unasked."""

    def __init__(self, line: str) -> None:
        self.line = line

    def answer(self, line: str, faults: Faults) -> str | None:
        return self.line if line == "VF?" else None

    def unasked(self) -> str | None:
        return self.line


@pytest.mark.parametrize("make_port", PORTS)
def test_a_window_is_read_in_seconds_and_volts(make_port: object) -> None:
    with (
        served(Sends(LINE), make_port) as there,  # type: ignore[arg-type]
        driver("window", there.url, query="VF?") as here,
    ):
        window = next_reading(here)
    assert isinstance(window, Window)
    assert window.off_s == (1e-4, 2.5e-4)
    assert window.volts == (0.60113, 0.602)


def test_windows_that_come_by_themselves_are_taken_as_they_come() -> None:
    with (
        served(Sends(LINE), stream_every_s=0.02) as there,
        driver("window", there.url) as here,
    ):
        assert isinstance(next_reading(here), Window)


@pytest.mark.parametrize(
    "line",
    [
        "hello",
        "VF",
        "VF 100",
        "VF 100:a",
        "VF 200:0.6 100:0.6",
        "VF -1:0.6",
        "VF 1:nan",
        "VF 1:2:3",
    ],
)
def test_what_is_no_window_is_kept_as_a_bad_line(line: str) -> None:
    with served(Sends(line)) as there, driver("window", there.url, query="VF?") as here:
        assert here.read() is None
        assert here.take_bad_lines() == [line]


@given(st.text(max_size=40))
def test_no_text_is_taken_for_a_window_it_is_not(text: str) -> None:
    found = parsed(text)
    assert found is None or len(found[0]) == len(found[1]) > 0


def test_it_switches_nothing() -> None:
    with served(Sends(LINE)) as there, driver("window", there.url, query="VF?") as here:
        with pytest.raises(InstrumentRefused):
            here.switch(True)
        read_on(here)
