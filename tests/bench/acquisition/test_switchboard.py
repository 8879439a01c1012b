"""Sources are switched, watched and switched off each on its own."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from bench.acquisition.power_switch import OperatorOf, OperatorSwitch
from bench.acquisition.station import SwitchRequest
from bench.acquisition.switchboard import Switchboard
from fit.errors import BenchError
from tests.support.bench_rigs import until


class Switch:
    """Obeys at once, unless told to wait or to fail."""

    def __init__(self) -> None:
        self.turns: list[bool] = []
        self.late: list[SwitchRequest] = []
        self.waits = False
        self.error: BenchError | None = None

    def turn(self, on: bool) -> SwitchRequest:
        turn = SwitchRequest(on, t_s=float(len(self.turns)), error=self.error)
        self.turns.append(on)
        if self.waits:
            self.late.append(turn)
        else:
            turn.done.set()
        return turn

    def off_for_good(self, given_up: Callable[[], bool]) -> SwitchRequest:
        return self.turn(False)

    def off_once_more(self) -> None:
        self.turns.append(False)


@pytest.fixture
def switches() -> dict[str, Switch]:
    return {"charger": Switch(), "regulator": Switch()}


def test_only_what_is_not_as_wanted_is_switched(switches: Any) -> None:
    board = Switchboard(switches)
    board.follow({"charger", "regulator"})
    list(board.finished())
    board.follow({"regulator"})
    list(board.finished())
    assert switches["charger"].turns == [True, False]
    assert switches["regulator"].turns == [True]
    assert (board.sources_on, board.power_on) == (frozenset({"regulator"}), True)


def test_while_one_is_still_being_switched_nothing_is_settled(switches: Any) -> None:
    board = Switchboard(switches)
    switches["regulator"].waits = True
    board.follow({"charger", "regulator"})
    assert [source for source, _ in board.finished()] == ["charger"]
    assert not board.is_settled
    switches["regulator"].late[0].done.set()
    assert [source for source, _ in board.finished()] == ["regulator"]
    assert board.is_settled


def test_at_the_end_one_that_cannot_be_switched_off_keeps_no_other_on(switches: Any) -> None:
    board = Switchboard(switches)
    board.follow({"charger", "regulator"})
    list(board.finished())
    switches["charger"].error = BenchError("it does not answer")
    turns = board.all_off(lambda: False)
    assert turns["charger"].error is not None
    assert (turns["regulator"].error, board.on["regulator"]) == (None, False)


def test_one_that_is_slow_to_go_off_does_not_keep_another_waiting(switches: Any) -> None:
    board = Switchboard(switches)
    board.follow({"charger", "regulator"})
    list(board.finished())
    other_is_off = threading.Event()
    plain = switches["regulator"].turn

    def first_wait_for_the_other(given_up: Any) -> SwitchRequest:
        assert other_is_off.wait(10.0)
        return SwitchRequest(False)

    def tell(on: bool) -> SwitchRequest:
        other_is_off.set()
        return plain(on)

    switches["charger"].off_for_good = first_wait_for_the_other
    switches["regulator"].turn = tell
    assert set(board.all_off(lambda: False)) == {"charger", "regulator"}


def test_a_source_of_which_nobody_knows_is_switched_off_at_the_end(switches: Any) -> None:
    board = Switchboard(switches, unknown={"charger"})
    assert board.power_on is None
    assert set(board.all_off(lambda: False)) == {"charger"}


def test_an_operator_is_asked_for_one_source_after_another() -> None:
    said: list[str] = []
    clock: Any = SimpleNamespace(now_s=lambda: 1.0)
    reading, writing = os.pipe()
    with open(reading, encoding="utf-8") as keys, open(writing, "w", encoding="utf-8") as hand:
        operator = OperatorSwitch(clock, said.append, keys)
        turns = [OperatorOf(operator, source).turn(True) for source in ("charger", "regulator")]
        assert said == ["Switch 'charger' ON now, then press Enter."]
        print("\n", file=hand, flush=True)
        assert all(turn.done.wait(10.0) for turn in turns)
        assert said[1] == "Switch 'regulator' ON now, then press Enter."
        hand.close()
        assert until(operator._ended.is_set)
