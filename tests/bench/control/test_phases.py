"""A heating that goes by its phases, and a power guard for each source."""

from __future__ import annotations

import math

import pytest

from bench.control.guard import Guard
from bench.control.sequence import Sequence
from bench.rig.schema import Sequence as Settings
from bench.rig.sources import Heat
from bench.status import Estimate, Scan, SpanEstimate
from fit.records.events import Phase
from tests.support.two_sources import two_source_rig

BOTH = frozenset({"charger", "regulator"})
HEAT = Heat((BOTH, frozenset({"regulator"})), (60.0, 90.0))
SETTINGS = Settings(soak_s=30.0, cool_s=20.0)


def wanted(sequence: Sequence, t_s: float) -> frozenset[str]:
    sequence.observe(Scan(t_s, {"bar": 23.0}))
    return sequence.wants


def test_a_heating_goes_through_its_phases_and_then_cools() -> None:
    sequence = Sequence(SETTINGS, heat=HEAT)
    assert not wanted(sequence, 10.0)
    assert wanted(sequence, 30.0) == BOTH
    sequence.power_switched(True, 31.0)
    assert wanted(sequence, 90.9) == BOTH
    assert wanted(sequence, 91.0) == {"regulator"}
    assert not wanted(sequence, 121.0)
    assert sequence.why_heat_ended == "heated for 90 s"
    sequence.power_switched(False, 121.5)
    assert sequence.phase == Phase.COOL


def test_settled_ends_no_heating_that_goes_by_phases() -> None:
    sequence = Sequence(Settings(soak_s=0.0, heat_until="settled"), heat=Heat((BOTH,), (5000.0,)))
    sequence.observe(Scan(0.0, {"bar": 23.0}))
    sequence.power_switched(True, 0.0)
    for t in range(1, 3000, 10):
        sequence.observe(Scan(float(t), {"bar": 43.0 - 20.0 * math.exp(-t / 100)}))
    assert sequence.wants == BOTH
    assert sequence.left_s(3000.0) == pytest.approx(2000.0)


def test_decided_ends_the_phases_once_every_span_has_its_decision() -> None:
    sequence = Sequence(Settings(soak_s=0.0, heat_until="decided"), heat=HEAT)
    sequence.observe(Scan(0.0, {"bar": 23.0}))
    sequence.power_switched(True, 0.0)
    decided = SpanEstimate("bar", "case", 0.5, 0.01, 0.7, "conforming")
    for t_s in (10.0, 20.0, 30.0):
        assert sequence.wants == BOTH
        sequence.observe(Scan(t_s, {"bar": 43.0}), Estimate(t_s, spans=(decided,)))
    assert not sequence.wants
    assert sequence.why_heat_ended == "every span decided after 30 s"


def test_a_run_that_is_gone_on_with_stands_in_the_phase_of_its_time() -> None:
    sequence = Sequence.continued(SETTINGS, None, 31.0, None, heat=HEAT)
    assert wanted(sequence, 100.0) == {"regulator"}


def scan(charger_W: float, regulator_W: float, t_s: float = 1.0) -> Scan:
    each = {"charger": charger_W, "regulator": regulator_W}
    total = charger_W + regulator_W
    return Scan(t_s, {"bar": 23.0}, total, total, each_drawn_W=each)


def test_a_source_has_a_limit_of_its_own() -> None:
    guard = Guard(two_source_rig(source=({"max_power_W": 4.0}, {})))
    both_on = {"charger": True, "regulator": True}
    assert guard.check(scan(3.9, 9.0), True, both_on) is None
    trip = guard.check(scan(4.1, 1.0), True, both_on)
    assert trip is not None
    assert trip.text == "the supply of 'charger' gives 4.1 W, over its limit of 4"


def test_the_rigs_limit_is_of_all_sources_together() -> None:
    guard = Guard(two_source_rig(guard={"max_power_W": 6.0}))
    both_on = {"charger": True, "regulator": True}
    assert guard.check(scan(5.9, 0.0), True, both_on) is None
    trip = guard.check(scan(3.1, 3.0), True, both_on)
    assert trip is not None
    assert trip.rule == "power"


def test_a_source_that_is_off_and_still_gives_power_is_named_while_the_other_is_on() -> None:
    guard = Guard(two_source_rig())
    guard.check(scan(3.0, 2.0), True, {"charger": True, "regulator": True})
    trips = [
        guard.check(scan(3.0, 2.0, t), True, {"charger": False, "regulator": True})
        for t in (2.0, 3.0, 4.0)
    ]
    assert trips[:2] == [None, None]
    assert trips[2] is not None
    assert trips[2].text == "the supply of 'charger' is off but still gives 3 W"


def test_a_missing_power_of_one_source_is_silence_of_that_source() -> None:
    guard = Guard(two_source_rig())
    on = {"charger": True, "regulator": True}
    guard.check(scan(3.0, 2.0, 0.0), True, on)
    trips = [guard.check(scan(3.0, math.nan, float(t)), True, on) for t in range(1, 12)]
    trip = next(one for one in trips if one is not None)
    assert trip.text == "no power reading of 'regulator' for 9 s"


ALONG = {"charger_tab": ("bar",), "regulator_tab": ("bar",), "bar": ()}
HEATED_BY = {"charger": ("charger_tab", "bar"), "regulator": ("regulator_tab", "bar")}


def blind(guard: Guard, on: dict[str, bool | None]) -> list[str]:
    """Nodes called blind while the charger's tab rests and all others warm by 5 K."""
    found = []
    for t in range(11):
        warm = dict.fromkeys(("regulator_tab", "bar"), 23.0 + 0.5 * t)
        each = {name: 3.0 if state else 0.0 for name, state in on.items()}
        scan = Scan(float(t), {"charger_tab": 23.0, **warm}, sum(each.values()), each_drawn_W=each)
        guard.check(scan, True, on)
        found += [node for node, _ in guard.take_blind()]
    return found


def test_a_node_of_a_source_that_is_on_and_rests_while_the_bar_warms_is_blind() -> None:
    guard = Guard(two_source_rig(), ALONG, HEATED_BY)
    assert blind(guard, {"charger": True, "regulator": True}) == ["charger_tab"]


def test_a_branch_whose_source_is_off_may_rest() -> None:
    guard = Guard(two_source_rig(), ALONG, HEATED_BY)
    assert blind(guard, {"charger": False, "regulator": True}) == []


def test_without_a_budget_the_order_of_the_channels_says_nothing_of_branches() -> None:
    assert blind(Guard(two_source_rig()), {"charger": True, "regulator": True}) == []
