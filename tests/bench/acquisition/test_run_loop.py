"""A heat run from soak to stop on real ports against virtual instruments."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bench.acquisition.run_loop import heat_run
from bench.clock import LockStepClock, RealClock
from bench.demo import make_demo_unit
from bench.virtual.bench import open_bench
from bench.virtual.ports import SocketEnd
from fit.errors import RecordError
from fit.records.run import read_run
from tests.support.bench_rigs import (
    NODES,
    Watcher,
    events,
    named,
    short_rig,
    virtual_bench,
)
from tests.support.heat_runs import run, turns

pytestmark = pytest.mark.usefixtures("no_watchdog_left")


def test_a_run_soaks_heats_cools_and_ends_with_the_power_off(tmp_path: Path) -> None:
    with virtual_bench() as bench:
        result = run(bench, tmp_path / "run")
        assert turns(bench) == [False, True, False]
    record = read_run(tmp_path / "run")
    kinds = [one["event"] for one in events(tmp_path / "run") if one["event"] != "phase"]
    assert (result.reason, result.exit_status, result.power_is_off) == ("finished", 0, True)
    assert kinds == ["power_on", "power_off", "stop"]
    assert record.nodes == NODES
    assert np.nanmax(record.power) == pytest.approx(4.2, rel=0.1)


def test_the_power_edge_is_the_time_at_which_it_was_confirmed(tmp_path: Path) -> None:
    with virtual_bench() as bench:
        run(bench, tmp_path / "run")
    record = read_run(tmp_path / "run")
    edge = named(tmp_path / "run", "power_on")[0]["t_s"]
    assert not np.any(record.power[record.t_s < edge - 0.1] > 0.1)
    assert np.nanmin(record.power[(record.t_s > edge + 0.06) & (record.t_s < edge + 0.6)]) > 1.0


def test_lock_step_runs_of_one_seed_are_the_same(tmp_path: Path) -> None:
    texts = []
    for name in ("one", "two"):
        clock = LockStepClock(datetime(2026, 11, 25, tzinfo=UTC))
        with open_bench(make_demo_unit("none", 3), clock.now_s, step_s=1.0) as bench:
            rig = short_rig(
                bench.ports,
                sequence={"interval_s": 2.0, "soak_s": 60.0, "heat_s": 300.0, "cool_s": 20.0},
                guard={"silence_s": 10.0},
            )
            heat_run(rig, folder=tmp_path / name, clock=clock)
        texts.append((tmp_path / name / "readings.csv").read_text())
    assert texts[0] == texts[1]
    assert len(texts[0].splitlines()) == 1 + 191


@pytest.mark.parametrize("node", ["tab", "case"])
def test_a_temperature_limit_ends_the_run_with_status_4(tmp_path: Path, node: str) -> None:
    with virtual_bench(speed=100) as bench:
        result = run(
            bench, tmp_path / "run", guard={"max_degC": {node: 25.0}}, sequence={"heat_s": 20.0}
        )
        assert not bench.world.supply.on
    assert (result.reason, result.exit_status) == ("guard", 4)
    assert named(tmp_path / "run", "guard")[0]["node"] == node
    assert named(tmp_path / "run", "stop")[0]["exit_status"] == 4


def test_a_full_disk_ends_the_run_with_the_power_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from fit.records.writer import RunWriter

    append, full = RunWriter.append_scan, []

    def append_scan(self: RunWriter, t_s: float, readings: Any) -> None:
        if full:
            raise RecordError(self.folder, "", "the disk does not take more (No space left)")
        append(self, t_s, readings)

    monkeypatch.setattr(RunWriter, "append_scan", append_scan)
    with virtual_bench() as bench:
        result = run(bench, tmp_path / "run", Watcher(lambda: full.append(True)))
        assert turns(bench) == [False, True, False]
    assert (result.reason, result.exit_status) == ("disk", 4)
    assert "No space left" in result.text
    assert len(read_run(tmp_path / "run").t_s) > 3


def test_a_crash_of_the_program_itself_leaves_the_power_off(tmp_path: Path) -> None:
    def crash() -> None:
        raise ZeroDivisionError("made")

    with virtual_bench() as bench:
        with pytest.raises(ZeroDivisionError):
            run(bench, tmp_path / "run", Watcher(crash))
        assert turns(bench) == [False, True, False]
    assert named(tmp_path / "run", "stop")[0]["reason"] == "error"


def test_the_operator_switches_with_enter(tmp_path: Path) -> None:
    watcher = Watcher()
    with virtual_bench() as bench:
        result = heat_run(
            short_rig(
                bench.ports, power={"switch": "operator", "source": "stated", "power_W": 4.2}
            ),
            folder=tmp_path / "run",
            clock=RealClock(),
            view=watcher,
            keyboard=io.StringIO("\n\n"),
            estimate=False,
        )
    asked = [text for text, loud in watcher.lines if loud]
    record = read_run(tmp_path / "run")
    assert (result.exit_status, result.power_is_off) == (0, True)
    assert ["ON" in asked[0], "OFF" in asked[1]] == [True, True]
    assert set(record.power) == {0.0, 4.2}


def test_without_an_operator_the_power_is_not_said_to_be_off(tmp_path: Path) -> None:
    watcher = Watcher()
    with virtual_bench() as bench:
        result = heat_run(
            short_rig(bench.ports, power={"switch": "operator"}),
            folder=tmp_path / "run",
            clock=RealClock(),
            view=watcher,
            keyboard=io.StringIO("\n"),
            estimate=False,
        )
    assert (result.exit_status, result.power_is_off) == (4, False)
    assert watcher.lines[-1][0].endswith("SWITCH IT OFF BY HAND") or any(
        loud and "BY HAND" in text for text, loud in watcher.lines
    )


def test_the_same_run_over_sockets(tmp_path: Path) -> None:
    with virtual_bench(make_port=lambda name, folder: SocketEnd()) as bench:
        result = run(bench, tmp_path / "run")
        assert turns(bench) == [False, True, False]
    assert result.exit_status == 0
    assert len(read_run(tmp_path / "run").t_s) > 15
