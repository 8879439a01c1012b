"""The wall clock jumps or the computer sleeps while a run is recorded."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from bench.clock import RealClock
from fit.records.run import read_run
from tests.support.bench_rigs import (
    Watcher,
    named,
    virtual_bench,
)
from tests.support.heat_runs import run

pytestmark = pytest.mark.usefixtures("no_watchdog_left")


class SkewedClock(RealClock):
    """A clock in which things happen: the wall clock jumps, the computer sleeps."""

    def __init__(self) -> None:
        self.wall_s = self.slept_s = 0.0

    def now_s(self) -> float:
        return super().now_s() + self.slept_s

    def sleep_until_s(self, t_s: float) -> None:
        super().sleep_until_s(t_s - self.slept_s)

    def utc(self) -> datetime:
        return super().utc() + timedelta(seconds=self.wall_s + self.slept_s)

    def suspended_s(self) -> float:
        return self.slept_s


def test_a_jump_of_the_wall_clock_is_noted_and_does_not_touch_the_record(tmp_path: Path) -> None:
    clock = SkewedClock()

    def jump() -> None:
        clock.wall_s = -3600.0

    with virtual_bench() as bench:
        result = run(bench, tmp_path / "run", Watcher(jump), clock=clock)
    assert result.exit_status == 0
    assert named(tmp_path / "run", "clock")[0]["jump_s"] == pytest.approx(-3600, abs=0.1)
    assert np.diff(read_run(tmp_path / "run").t_s).max() < 1.0


def test_a_short_sleep_of_the_computer_is_a_gap_in_the_record(tmp_path: Path) -> None:
    clock = SkewedClock()

    def sleep() -> None:
        clock.slept_s += 20.0

    with virtual_bench() as bench:
        result = run(
            bench, tmp_path / "run", Watcher(sleep), clock=clock, guard={"silence_s": 60.0},
            sequence={"heat_s": 21.0},
        )  # fmt: skip
    assert result.exit_status == 0
    assert named(tmp_path / "run", "suspend")[0]["suspended_s"] == pytest.approx(20.0, abs=0.1)
    assert "slept" in named(tmp_path / "run", "gap")[0]["problem"]
    assert np.diff(read_run(tmp_path / "run").t_s).max() == pytest.approx(20.0, abs=0.5)


def test_a_long_sleep_with_the_power_on_ends_the_run(tmp_path: Path) -> None:
    clock = SkewedClock()

    def sleep() -> None:
        clock.slept_s += 300.0

    with virtual_bench() as bench:
        result = run(bench, tmp_path / "run", Watcher(sleep), clock=clock)
        assert not bench.world.supply.on
    assert (result.reason, result.exit_status) == ("guard", 4)
    assert "slept" in result.text
