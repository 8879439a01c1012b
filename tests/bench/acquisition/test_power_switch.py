"""Power off for good: tried again, given up, reminded of; on a clock that the test moves."""

from __future__ import annotations

import io
import os
import threading
from collections.abc import Callable, Iterator
from types import SimpleNamespace
from typing import Any

import pytest

from bench.acquisition import power_switch
from bench.acquisition.power_switch import InstrumentSwitch, OperatorSwitch
from bench.acquisition.station import SwitchRequest
from fit.errors import HeatrunError, InstrumentLost, InstrumentRefused


class Time:
    """What power_switch takes for the time."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def monotonic(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds


@pytest.fixture
def time(monkeypatch: pytest.MonkeyPatch) -> Time:
    fake = Time()
    monkeypatch.setattr(power_switch, "time", fake)
    return fake


class Station:
    """Answers each turn with the next of some errors, None for done; the last one over and over."""

    name = "supply"

    def __init__(self, *errors: HeatrunError | None) -> None:
        self.errors = list(errors)
        self.asked: list[bool] = []

    def turn(self, on: bool) -> SwitchRequest:
        self.asked.append(on)
        error = self.errors.pop(0) if len(self.errors) > 1 else self.errors[0]
        request = SwitchRequest(on, error=error)
        request.done.set()
        return request


class SilentStation:
    """Never answers: whoever waits, waits as long as he says."""

    name = "supply"

    def __init__(self, time: Time) -> None:
        self.time, self.waited_s = time, list[float]()

    def turn(self, on: bool) -> Any:
        return SimpleNamespace(on=on, error=None, done=SimpleNamespace(wait=self._wait))

    def _wait(self, timeout_s: float) -> bool:
        self.waited_s.append(timeout_s)
        self.time.now_s += timeout_s
        return False


def off(station: Any) -> SwitchRequest:
    return InstrumentSwitch(station).off_for_good(lambda: False)


def test_off_that_is_confirmed_is_asked_for_once(time: Time) -> None:
    station = Station(None)
    assert off(station).error is None
    assert station.asked == [False]


def test_off_is_tried_again_until_it_is_confirmed(time: Time) -> None:
    station = Station(InstrumentLost("gone"), InstrumentLost("gone"), None)
    assert off(station).error is None
    assert station.asked == [False] * 3
    assert time.now_s - 1000.0 == pytest.approx(2 * 0.2)


def test_a_supply_that_refuses_is_asked_so_often_and_no_more(time: Time) -> None:
    station = Station(InstrumentLost("gone"), InstrumentRefused("no"))
    assert isinstance(off(station).error, InstrumentRefused)
    assert len(station.asked) == 1 + 3


def test_a_lost_supply_is_tried_for_as_long_as_the_end_of_a_run_may_take(time: Time) -> None:
    assert isinstance(off(Station(InstrumentLost("gone"))).error, InstrumentLost)
    assert 6.0 < time.now_s - 1000.0 <= 6.0 + 2 * 0.2


def test_a_supply_that_never_answers_is_waited_for_until_then_and_told(time: Time) -> None:
    station = SilentStation(time)
    request = off(station)
    assert str(request.error) == "supply does not answer"
    assert station.waited_s == pytest.approx([6.0, 0.1])  # the last time for a moment all the same
    assert time.now_s - 1000.0 == pytest.approx(6.0 + 0.2 + 0.1)


def test_off_once_more_waits_a_little(time: Time) -> None:
    station = SilentStation(time)
    InstrumentSwitch(station).off_once_more()  # type: ignore[arg-type]
    assert station.waited_s == [2.0]


@pytest.fixture
def keyboard() -> Iterator[tuple[Any, Any]]:
    """Standard input on which nothing is pressed, and the end that presses."""
    reading, writing = os.pipe()
    with open(reading, encoding="utf-8") as keys, open(writing, "w", encoding="utf-8") as hand:
        yield keys, hand
        hand.close()


def asked(time: Time, keyboard: Any, given_up: Callable[[], bool]) -> tuple[list[str], Any]:
    said: list[str] = []
    clock: Any = SimpleNamespace(now_s=lambda: 12.5)
    return said, OperatorSwitch(clock, said.append, keyboard).off_for_good(given_up)


def test_an_operator_is_reminded_every_few_seconds(time: Time, keyboard: tuple[Any, Any]) -> None:
    """Asked at once, and again after 6 s and 12 s where each look takes 1 s."""

    def a_second_later() -> bool:
        time.now_s += 1.0
        return time.now_s >= 1000.0 + 13.0

    said, request = asked(time, keyboard[0], a_second_later)
    assert said == ["Switch the power OFF now, then press Enter."] * 3
    assert str(request.error) == "nobody has said that the power is off"


def test_enter_says_when_it_was_done(time: Time, keyboard: tuple[Any, Any]) -> None:
    print(file=keyboard[1], flush=True)
    said, request = asked(time, keyboard[0], lambda: False)
    assert (request.error, request.t_s) == (None, 12.5)
    assert len(said) == 1


def test_an_input_that_has_ended_is_told(time: Time) -> None:
    _, request = asked(time, io.StringIO(""), lambda: False)
    assert "standard input has ended" in str(request.error)


class Terminal:
    """A keyboard on which Enter was pressed once before anything was asked."""

    def __init__(self) -> None:
        self.pressed = threading.Semaphore(1)
        self.read = threading.Semaphore(0)  # how often somebody has come for a line

    def isatty(self) -> bool:
        return True

    def readline(self) -> str:
        self.read.release()
        self.pressed.acquire()
        return "\n"


def test_enter_pressed_before_the_question_is_no_answer_to_it() -> None:
    keyboard: Any = Terminal()
    clock: Any = SimpleNamespace(now_s=lambda: 12.5)
    switch = OperatorSwitch(clock, lambda text: None, keyboard)
    for _ in range(2):  # whoever comes for the second line has counted the first
        assert keyboard.read.acquire(timeout=5.0)
    request = switch.turn(True)
    assert not request.done.is_set()
    keyboard.pressed.release()
    assert request.done.wait(5.0)
    assert request.error is None
