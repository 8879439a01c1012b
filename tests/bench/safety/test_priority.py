"""Precedence over other programs: taken where it is given, given back, and not missed elsewhere."""

from __future__ import annotations

import os

import pytest

from bench.safety.priority import AHEAD, ahead_of_others, step_behind

pytestmark = pytest.mark.skipif(
    not hasattr(os, "setpriority"), reason="this system has no such priorities"
)


def test_precedence_is_taken_and_given_back(monkeypatch: pytest.MonkeyPatch) -> None:
    given: list[int] = []
    monkeypatch.setattr(os, "getpriority", lambda which, who: 3)
    monkeypatch.setattr(os, "setpriority", lambda which, who, value: given.append(value))
    with ahead_of_others():
        assert given == [AHEAD]
    assert given == [AHEAD, 3]


def test_where_it_is_not_permitted_the_run_goes_on_without(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(which: int, who: int, value: int) -> None:
        raise PermissionError

    before = os.getpriority(os.PRIO_PROCESS, 0)
    monkeypatch.setattr(os, "setpriority", refuse)
    with ahead_of_others():
        step_behind()
        assert os.getpriority(os.PRIO_PROCESS, 0) == before
