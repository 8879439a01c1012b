"""Every rule of the guard trips where it should, and not a scan earlier."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import pytest

from bench.control.guard import Guard, patience_s
from bench.status import Scan
from tests.support.bench_rigs import short_rig

PORTS = {"reader": "x", "supply": "y"}


def guard(**keys: Any) -> Guard:
    return Guard(short_rig(PORTS, guard={"silence_s": 10.0, **keys}))


def scan(t_s: float = 0.0, power_W: float = 4.2, **degC: float) -> Scan:
    silent = {"reader": 0.0, "supply": 0.0}
    return Scan(t_s, {"tab": 23.0, **degC}, power_W, power_W, {}, silent)


def test_a_node_at_its_limit_is_allowed_and_over_it_is_not() -> None:
    watch = guard(max_degC={"tab": 110.0})
    assert watch.check(scan(tab=110.0), True) is None
    trip = watch.check(scan(tab=110.1), True)
    assert trip is not None
    assert (trip.rule, trip.node) == ("temperature", "tab")


def test_a_limit_holds_with_the_power_off_too() -> None:
    assert guard(max_degC={"tab": 110.0}).check(scan(tab=120.0, power_W=0.0), False) is not None


@pytest.mark.parametrize(("K_per_min", "trips"), [(29.0, False), (31.0, True)])
def test_rate_of_rise(K_per_min: float, trips: bool) -> None:
    watch = guard(max_K_per_min=30.0)
    found = [watch.check(scan(t, tab=23.0 + K_per_min * t / 60), True) for t in range(40)]
    assert any(found) is trips


def test_one_sixteenth_of_a_kelvin_is_no_rate() -> None:
    watch = guard(max_K_per_min=3.0)
    found = [watch.check(scan(t, tab=23.0 + 0.0625 * (t % 2)), True) for t in range(60)]
    assert not any(found)


def test_rate_holds_at_a_hundred_scans_a_second_in_bounded_memory() -> None:
    watch = guard(max_K_per_min=30.0)
    found = [watch.check(scan(t / 100, tab=23.0 + 0.6 * t / 100), True) for t in range(3000)]
    assert any(found)
    assert len(watch._recent) < 300


@pytest.mark.parametrize("reads", [math.nan, -270.0])
def test_an_open_sensor_is_told_from_a_silent_instrument(reads: float) -> None:
    watch = guard(max_degC={"tab": 110.0})
    found = [watch.check(scan(t, tab=reads), True) for t in range(13)]
    assert not any(found[:11])
    assert found[-1] is not None
    assert (found[-1].rule, found[-1].node) == ("blind", "tab")


def test_an_open_sensor_without_a_limit_is_told_once_and_ends_nothing() -> None:
    watch = guard(max_degC={"case": 60.0})
    told = []
    for t in range(30):
        assert watch.check(scan(t, tab=math.nan, case=30.0), True) is None
        told += watch.take_blind()
    assert [node for node, _ in told] == ["tab"]


def test_with_a_blind_limit_the_power_may_not_come_on() -> None:
    watch = guard(max_degC={"tab": 60.0})
    for t in range(13):
        assert watch.check(scan(t, tab=math.nan, power_W=0.0), False) is None
    found = watch.unguarded()
    assert found is not None
    assert found.node == "tab"


def test_a_sensor_that_comes_back_in_time_is_forgiven() -> None:
    watch = guard()
    found = [watch.check(scan(t, tab=math.nan if t % 8 else 23.0), True) for t in range(40)]
    assert not any(found)


def test_silence_names_the_instrument() -> None:
    silent = Scan(50.0, {"tab": math.nan}, silent_s={"reader": 10.5, "supply": 0.2})
    trip = guard().check(silent, True)
    assert trip is not None
    assert trip.text == "no reading from reader for 10 s"


def test_a_scan_interval_longer_than_the_silence_is_no_silence() -> None:
    rig = short_rig(PORTS, sequence={"interval_s": 60.0}, guard={"silence_s": 10.0})
    assert patience_s(rig) == 150.0


def test_power_over_its_limit() -> None:
    watch = guard(max_power_W=6.0)
    assert watch.check(scan(power_W=6.0), True) is None
    assert watch.check(scan(power_W=6.1), True) is not None


def test_power_over_what_was_stated() -> None:
    watch = Guard(short_rig(PORTS, power={"source": "stated", "power_W": 4.2}))
    assert watch.check(scan(power_W=5.0), True) is None
    assert watch.check(scan(power_W=5.1), True) is not None


def test_a_supply_that_still_gives_power_when_it_is_off() -> None:
    watch = guard()
    watch.check(scan(0.0), True)
    found = [watch.check(scan(t, power_W=4.2), False) for t in (1, 2, 3)]
    assert [one is not None for one in found] == [False, False, True]


def test_a_supply_that_gives_nothing_while_it_is_on() -> None:
    watch = guard()
    watch.check(scan(0.0), True)
    found = [watch.check(scan(t, power_W=0.0), True) for t in (1, 2, 3)]
    assert found[-1] is not None
    assert "its own limit" in found[-1].text


@pytest.mark.parametrize(("power_W", "odd"), [(0.41, False), (0.43, True)])
def test_a_tenth_of_the_heating_power_may_be_shown_when_it_is_off(
    power_W: float, odd: bool
) -> None:
    """Of 4.2 W."""
    watch = guard()
    watch.check(scan(0.0), True)
    assert bool(watch.sources[""].still_on(power_W)) is odd


def test_before_it_has_heated_nothing_is_called_still_on() -> None:
    assert guard().sources[""].still_on(4.2) == ""


@pytest.mark.parametrize(("power_W", "odd"), [(0.43, False), (0.41, True)])
def test_under_a_tenth_of_the_heating_power_it_has_switched_itself_off(
    power_W: float, odd: bool
) -> None:
    watch = guard()
    watch.check(scan(0.0), True)
    found = [watch.check(scan(t, power_W=power_W), True) for t in (1, 2, 3)]
    assert (found[-1] is not None) is odd


def test_the_largest_power_seen_is_the_heating_power() -> None:
    """Up to 4.2 W and down to 0.41: a tenth of the largest, not of the latest."""
    watch = guard()
    for t, power_W in enumerate((1.0, 4.2, 2.0)):
        watch.check(scan(t, power_W=power_W), True)
    assert watch.sources[""].still_on(0.43)
    assert not watch.sources[""].still_on(0.41)


@pytest.mark.parametrize(("power_W", "heats"), [(0.120, False), (0.122, True)])
def test_a_fifth_over_what_is_shown_without_power_is_heating(power_W: float, heats: bool) -> None:
    """0.1 W idle: over 1.2 times that and a milliwatt, 0.121 W."""
    watch = guard()
    watch.check(scan(0.0, power_W=0.1), False)
    watch.check(scan(1.0, power_W=0.05), False)
    watch.check(scan(2.0, power_W=power_W), True)
    assert watch.sources[""].heated is heats


def test_one_odd_reading_in_three_is_forgiven() -> None:
    watch = guard()
    watch.check(scan(0.0), True)
    shown = [4.2, 4.2, 0.0] * 4
    assert not any(watch.check(scan(t, power_W=W), False) for t, W in enumerate(shown, 1))


@pytest.mark.parametrize(
    ("reads", "open_"), [(-201.0, True), (-199.0, False), (1399.0, False), (1401.0, True)]
)
def test_what_no_thermocouple_reads_is_an_open_one(reads: float, open_: bool) -> None:
    watch = guard()
    assert not any(watch.check(scan(t, tab=reads), True) for t in range(13))
    assert [node for node, _ in watch.take_blind()] == ["tab"] * open_


def test_an_open_sensor_is_told_with_what_came_and_for_how_long() -> None:
    watch = guard()
    for t in range(12):
        watch.check(scan(t, tab=2048.0), True)
    told = "the sensor of tab is open: 2048 degC from reader for 11 s"
    assert watch.take_blind() == [("tab", told)]


def test_a_rate_needs_ten_seconds_to_be_one() -> None:
    """60 K/min from the start of a record resumed at 500 s: said once 10 s are seen."""
    watch = guard(max_K_per_min=30.0)
    found = [watch.check(scan(500.0 + t, tab=23.0 + t), True) for t in range(12)]
    assert [one is not None for one in found] == [False] * 10 + [True] * 2
    assert found[-1] is not None
    assert found[-1].text == "tab rises by 60.0 K/min, over its limit of 30"


def test_a_rate_is_that_of_the_last_ten_seconds() -> None:
    """At rest for a minute, then 60 K/min: five seconds of it are seen at once."""
    watch = guard(max_K_per_min=25.0)
    found = [watch.check(scan(t, tab=23.0 + max(0, t - 60)), True) for t in range(80)]
    assert 62 <= next(t for t, one in enumerate(found) if one) <= 66


def test_a_rate_needs_five_scans() -> None:
    """A scan every five seconds: 10 s hold three of them."""
    watch = guard(max_K_per_min=30.0)
    found = [watch.check(scan(5.0 * t, tab=23.0 + 5 * t), True) for t in range(6)]
    assert [one is not None for one in found] == [False] * 4 + [True] * 2


def test_nothing_is_odd_while_it_is_being_switched() -> None:
    watch = guard()
    watch.check(scan(0.0), True)
    assert not any(watch.check(scan(t, power_W=4.2), None) for t in range(1, 9))


def test_power_that_is_no_longer_read() -> None:
    watch = guard()
    watch.check(scan(0.0), True)
    found = [watch.check(scan(t, power_W=math.nan), True) for t in range(1, 13)]
    assert found[-1] is not None
    assert found[-1].rule == "silence"


def test_power_that_never_comes_is_told_after_the_stated_silence() -> None:
    watch = guard(silence_s=10.0)
    watch.check(scan(0.0, power_W=0.02), False)
    found = [watch.check(scan(t, power_W=0.02), True) for t in range(1, 13)]
    assert [one is not None for one in found] == [False] * 11 + [True]
    assert found[-1] is not None
    assert "is the load connected" in found[-1].text


def test_a_supply_that_comes_up_slowly_is_waited_for() -> None:
    watch = guard(silence_s=10.0)
    watch.check(scan(0.0, power_W=0.0), False)
    rising = [watch.check(scan(t, power_W=0.0 if t < 8 else 4.2), True) for t in range(1, 30)]
    assert not any(rising)


def test_a_silent_instrument_is_never_called_an_open_sensor() -> None:
    watch = guard(silence_s=10.0)
    for t in range(40):
        # The reading is a little younger than its scan: the sensor would seem silent for longer.
        silent = {"reader": max(0.0, 0.5 * t - 0.004), "supply": 0.0}
        value = 23.0 if t == 0 else math.nan
        trip = watch.check(Scan(0.5 * t, {"tab": value}, 4.2, 4.2, {}, silent), True)
        if trip:
            break
    assert trip is not None
    assert trip.rule == "silence"


def test_an_instrument_of_which_no_silence_is_told_is_not_silent() -> None:
    """Its open sensor is then told as one, also by a guard that is patient for 1 s only."""
    limits = {"silence_s": 1.0, "max_degC": {"tab": 110.0}}
    watch = Guard(short_rig(PORTS, sequence={"interval_s": 0.1}, guard=limits))
    found = [watch.check(Scan(0.1 * t, {"tab": math.nan}, 4.2, 4.2), True) for t in range(13)]
    assert found[-1] is not None
    assert found[-1].rule == "blind"


@pytest.mark.parametrize(("silent_s", "trips"), [(10.0, False), (10.1, True)])
def test_an_instrument_may_be_silent_for_as_long_as_is_stated(silent_s: float, trips: bool) -> None:
    silent = Scan(0.0, {"tab": 23.0}, 4.2, 4.2, {}, {"reader": silent_s})
    assert (guard(silence_s=10.0).check(silent, True) is not None) is trips


@pytest.mark.parametrize(("silent_s", "open_"), [(5.0, True), (5.1, False)])
def test_a_sensor_is_open_only_while_its_instrument_sends(silent_s: float, open_: bool) -> None:
    """Not while that has been silent for over half of 10 s."""
    watch = guard(silence_s=10.0)
    watch.check(scan(0.0), True)
    for t in range(1, 12):
        watch.check(Scan(t, {"tab": math.nan}, 4.2, 4.2, {}, {"reader": silent_s}), True)
    assert [node for node, _ in watch.take_blind()] == ["tab"] * open_


def test_a_sensor_that_opens_again_is_told_again() -> None:
    """Open from 1 s and told at 11 s; read at 20 s; open again and told at 31 s."""
    watch = guard(silence_s=10.0)
    told = []
    for t in range(40):
        watch.check(scan(t, tab=23.0 if t in (0, 20) else math.nan), True)
        told += [(t, node) for node, _ in watch.take_blind()]
    assert told == [(11, "tab"), (31, "tab")]


@pytest.mark.parametrize(("power_on", "trips"), [(False, False), (None, True), (True, True)])
def test_a_blind_limit_trips_unless_the_power_is_off(power_on: bool | None, trips: bool) -> None:
    watch = guard(max_degC={"tab": 110.0})
    watch.check(scan(0.0, power_W=0.0), False)
    for t in range(1, 12):
        found = watch.check(scan(t, tab=math.nan, power_W=0.0), power_on)
    assert (found is not None) is trips


def test_power_may_be_unread_for_as_long_as_a_silence_may_last() -> None:
    """Read at 0 s: 10 s later it is not yet missed, at 11 s it is."""
    watch = guard(silence_s=10.0)
    watch.check(scan(0.0), True)
    found = [watch.check(scan(t, power_W=math.nan), True) for t in range(1, 12)]
    assert [one is not None for one in found] == [False] * 10 + [True]
    assert found[-1] is not None
    assert found[-1].text == "no power reading for 11 s"


def test_a_power_that_is_stated_is_not_missed() -> None:
    watch = Guard(short_rig(PORTS, power={"source": "stated", "power_W": 4.2}))
    assert not any(watch.check(scan(t, power_W=math.nan), True) for t in range(60))


def test_without_a_limit_any_power_is_allowed() -> None:
    assert guard().check(scan(power_W=1e4), True) is None


def test_power_without_load_is_missed_from_the_moment_it_was_switched_on() -> None:
    """On at 20 s, on record until 25 s, off, and on again at 40 s: told 11 s after that."""
    watch = guard(silence_s=10.0)
    found = []
    for t in range(60):
        on = 20 <= t < 25 or t >= 40
        found.append(watch.check(scan(t, power_W=0.0), on))
    assert next(t for t, trip in enumerate(found) if trip) == 51
    assert found[51] is not None
    assert "for 11 s the supply has shown 0 W" in found[51].text


def test_a_milliwatt_without_any_idle_power_is_no_heating() -> None:
    for power_W, heats in ((1e-3, False), (1.1e-3, True)):
        watch = guard()
        watch.check(scan(0.0, power_W=power_W), True)
        assert watch.sources[""].heated is heats


def test_scans_a_hundred_times_a_second_are_kept_twenty_times_a_second() -> None:
    """200 of the last 10 s, and the one or two at their edges."""
    watch = guard(max_K_per_min=30.0)
    for i in range(6400):
        watch.check(scan(i / 128, tab=23.0), True)  # 1/128 s: exact in binary
    times = [t for t, _ in watch._recent]
    assert min(b - a for a, b in pairwise(times)) == 7 / 128
    assert 10.0 <= times[-1] - times[0] < 10.0 + 2 * 7 / 128
