"""One thread a port: asking, losing, finding again, switching, on drivers made of code."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

import pytest

from bench.acquisition.scan import ask
from bench.acquisition.station import InstrumentWorker
from bench.clock import RealClock
from bench.instruments import settings_class
from bench.instruments.base import Reading
from fit.errors import InstrumentLost, InstrumentRefused, PortError

INTERVAL_S = 0.05


class Made:
    """A driver whose every answer is what the test wants."""

    def __init__(self, read: Callable[[int], float | None] = float) -> None:
        self.reads = self.opens = 0
        self.closed = False
        self.switched: list[bool] = []
        self.threads: set[int] = set()
        self.bad: list[str] = []
        self.refuse_open: Callable[[int], bool] = lambda number: False
        self._read = read

    def open(self) -> None:
        self.threads.add(threading.get_ident())
        self.opens += 1
        if self.refuse_open(self.opens):
            raise PortError("made: not there")
        self.closed = False

    def read(self) -> Reading | None:
        self.threads.add(threading.get_ident())
        self.reads += 1
        value = self._read(self.reads)
        return None if value is None else Reading(RealClock().now_s(), {"n": value})

    def switch(self, on: bool) -> None:
        self.threads.add(threading.get_ident())
        self.switched.append(on)

    def take_bad_lines(self) -> list[str]:
        lines, self.bad = self.bad, []
        return lines

    def close(self) -> None:
        self.closed = True


@pytest.fixture
def opened() -> Any:
    made: list[InstrumentWorker] = []

    def make(
        driver: Made, *, streams: bool = False, silent_after_s: float = 3.0
    ) -> InstrumentWorker:
        settings = settings_class("line").model_validate(
            {"name": "made", "driver": "line", "port": "x", "fields": ["n"]}
            | ({} if streams else {"query": "?"})
        )
        station = InstrumentWorker(settings, RealClock(), silent_after_s, driver)
        made.append(station)
        station.start()
        station.wait_open()
        return station

    yield make
    for station in made:
        station.close()


def scan(station: InstrumentWorker) -> float | None:
    reading = ask([station], RealClock(), INTERVAL_S).get("made")
    return None if reading is None else reading.values["n"]


def notes_until(station: InstrumentWorker, event: str, within_s: float = 3.0) -> list[Any]:
    found: list[Any] = []
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline and all(note.event != event for note in found):
        scan(station)
        found += station.take_notes()
        time.sleep(0.01)
    return found


def test_a_polled_instrument_is_asked_once_a_scan(opened: Any) -> None:
    driver = Made()
    station = opened(driver)
    assert [scan(station) for _ in range(5)] == [1, 2, 3, 4, 5]
    assert driver.reads == 5


def test_a_reading_is_taken_once(opened: Any) -> None:
    station = opened(Made())
    assert scan(station) == 1
    assert station.take() is None


def test_a_slow_answer_stands_in_the_next_scan_and_none_is_dropped(opened: Any) -> None:
    def slow(number: int) -> float:
        time.sleep(0.07)
        return float(number)

    station = opened(Made(slow))
    seen = []
    for _ in range(20):
        started = time.monotonic()
        seen.append(scan(station))
        time.sleep(max(0.0, INTERVAL_S - (time.monotonic() - started)))
    come = [one for one in seen if one is not None]
    assert come == [float(n + 1) for n in range(len(come))]
    assert 5 <= len(come) < 20


def test_a_scan_waits_no_longer_than_its_window(opened: Any) -> None:
    def stuck(number: int) -> float:
        time.sleep(1.0)
        return 1.0

    station = opened(Made(stuck))
    started = time.monotonic()
    assert scan(station) is None
    assert time.monotonic() - started < 0.5


def test_one_thread_alone_touches_the_driver(opened: Any) -> None:
    driver = Made()
    station = opened(driver)
    scan(station)
    station.turn(True).done.wait(2.0)
    assert driver.threads == {station._thread.ident}


def test_a_lost_port_is_opened_again_with_gap_and_reconnect(opened: Any) -> None:
    def read(number: int) -> float:
        if number == 3:
            raise InstrumentLost("made: lost on port x")
        return float(number)

    driver = Made(read)
    driver.refuse_open = lambda number: number in (2, 3)
    station = opened(driver)
    found = notes_until(station, "reconnect")
    assert [note.event for note in found] == ["gap", "reconnect"]
    assert found[0].details == {"instrument": "made", "problem": "made: lost on port x"}
    assert found[1].details["gap_s"] > 0.1
    assert driver.opens == 4


@pytest.mark.parametrize("error", [OSError("gone"), ValueError("odd"), TypeError()])
def test_whatever_a_driver_lets_out_is_a_lost_port(opened: Any, error: Exception) -> None:
    def read(number: int) -> float:
        if number == 2:
            raise error
        return float(number)

    found = notes_until(opened(Made(read)), "reconnect")
    assert [note.event for note in found] == ["gap", "reconnect"]


def test_silence_is_a_gap_and_opens_the_port_anew(opened: Any) -> None:
    driver = Made(lambda number: None if 2 <= number < 30 else float(number))
    station = opened(driver, silent_after_s=0.1)
    found = notes_until(station, "reconnect", 5.0)
    assert [note.event for note in found] == ["gap", "reconnect"]
    assert "no reading for 0.1 s" in found[0].details["problem"]
    assert driver.opens > 1


def test_bad_lines_are_counted_and_noted_once_a_second(opened: Any) -> None:
    driver = Made(lambda number: None)

    def read() -> None:
        driver.bad = ["x" * 1000] * 50

    driver._read = lambda number: read()
    station = opened(driver)
    found = []
    for _ in range(30):
        scan(station)
        found += station.take_notes()
    bad = [note for note in found if note.event == "bad_line"]
    assert len(bad) == 1
    assert bad[0].details["count"] >= 50
    assert [len(line) for line in bad[0].details["lines"]] == [200] * 20


def test_power_is_switched_off_on_a_lost_port_too(opened: Any) -> None:
    def lost(number: int) -> float:
        raise InstrumentLost("made: lost")

    driver = Made(lost)
    driver.refuse_open = lambda number: number > 1
    station = opened(driver)
    scan(station)
    turn = station.turn(False)
    assert turn.done.wait(2.0)
    assert (turn.error, driver.switched) == (None, [False])


def test_a_refusal_is_handed_to_whoever_asked(opened: Any) -> None:
    driver = Made()

    def refuse(on: bool) -> None:
        raise InstrumentRefused("made: no")

    driver.switch = refuse  # type: ignore[method-assign]
    turn = opened(driver).turn(True)
    assert turn.done.wait(2.0)
    assert (str(turn.error), turn.t_s) == ("made: no", None)


def test_a_stream_gives_its_newest_reading(opened: Any) -> None:
    def stream(number: int) -> float:
        time.sleep(0.002)
        return float(number)

    driver = Made(stream)
    station = opened(driver, streams=True)
    time.sleep(0.1)
    first = scan(station)
    time.sleep(0.1)
    second = scan(station)
    assert first is not None
    assert second is not None
    assert second > first + 5
    assert second >= driver.reads - 3


def test_a_port_that_cannot_be_opened_is_said_to_whoever_waits() -> None:
    settings = settings_class("line").model_validate(
        {"name": "made", "driver": "line", "port": "x", "fields": ["n"]}
    )
    driver = Made()
    driver.refuse_open = lambda number: True
    station = InstrumentWorker(settings, RealClock(), driver=driver)
    station.start()
    with pytest.raises(PortError, match="not there"):
        station.wait_open()
    station.close()
    assert driver.closed
