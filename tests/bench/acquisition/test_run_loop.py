"""The loop, on real ports against virtual instruments, with every fault injected."""

from __future__ import annotations

import io
import itertools
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bench.acquisition.finish import LogResult
from bench.acquisition.run_loop import heat_run
from bench.clock import LockStepClock, RealClock
from bench.demo import make_demo_unit
from bench.virtual.bench import VirtualBench, open_bench
from bench.virtual.ports import SocketEnd
from fit.errors import PortError, RecordError
from fit.records.run import read_run
from tests.support.bench_rigs import (
    INTERVAL_S,
    NODES,
    Watcher,
    events,
    named,
    short_rig,
    until,
    virtual_bench,
)

pytestmark = pytest.mark.usefixtures("no_watchdog_left")


def run(
    bench: VirtualBench,
    folder: Path,
    watcher: Watcher | None = None,
    clock: Any = None,
    **changes: Any,
) -> LogResult:
    return heat_run(
        short_rig(bench.ports, **changes),
        folder=folder,
        clock=clock or RealClock(),
        view=watcher,
        estimate=False,
    )


SOON = {"silence_s": 1.0}


def turns(bench: VirtualBench) -> list[bool]:
    """How the supply was switched, repetitions left out."""
    return [on for on, _ in itertools.groupby(bench.world.supply.switched)]


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


def test_an_instrument_that_is_plugged_in_again_is_found_by_its_name(tmp_path: Path) -> None:
    with virtual_bench() as bench:
        before = os.path.realpath(bench.reader.url)
        taken = []

        def replug() -> None:
            bench.reader.port.unplug()
            taken.append(os.openpty())  # so that the device number is another one
            bench.reader.port.replug()

        result = run(bench, tmp_path / "run", Watcher(replug), sequence={"heat_s": 1.5})
        assert os.path.realpath(bench.reader.url) != before
        for pair in taken:
            os.close(pair[0])
            os.close(pair[1])
    kinds = [one["event"] for one in events(tmp_path / "run")]
    assert result.exit_status == 0
    assert kinds.index("gap") < kinds.index("reconnect") < kinds.index("power_off")


def test_a_lost_reader_ends_the_run_after_the_stated_silence(tmp_path: Path) -> None:
    with virtual_bench() as bench:
        watcher = Watcher(bench.reader.port.unplug)
        result = run(bench, tmp_path / "run", watcher, sequence={"heat_s": 30.0}, guard=SOON)
        assert not bench.world.supply.on
    record = read_run(tmp_path / "run")
    assert (result.reason, result.exit_status) == ("instrument", 4)
    assert "no reading from reader" in result.text
    assert np.isnan(record.temperature_degC[-1]).all()
    assert named(tmp_path / "run", "gap")


def test_a_silent_reader_leaves_empty_cells_and_never_a_repeated_reading(tmp_path: Path) -> None:
    with virtual_bench() as bench:

        def hush() -> None:
            bench.reader.faults.silent = True

        result = run(bench, tmp_path / "run", Watcher(hush), sequence={"heat_s": 30.0}, guard=SOON)
    record = read_run(tmp_path / "run")
    last = int(np.flatnonzero(np.isfinite(record.temperature_degC[:, 0]))[-1])
    assert result.reason == "instrument"
    assert len(record.t_s) - last > 10
    # The supply goes on answering; on a busy computer an answer may miss its scan.
    assert np.isfinite(record.power[last + 1 : last + 10]).sum() >= 6


def test_a_slow_instrument_does_not_delay_the_others(tmp_path: Path) -> None:
    with virtual_bench() as bench:
        bench.reader.faults.delay_s = 0.17
        run(bench, tmp_path / "run")
    record = read_run(tmp_path / "run")
    come = np.isfinite(record.temperature_degC[:, 0])
    assert np.isfinite(record.power).mean() > 0.8
    assert 0.1 < come.mean() < 0.6
    assert np.median(np.diff(record.t_s)) == pytest.approx(INTERVAL_S, rel=0.1)


def test_garbage_is_kept_as_bad_lines_and_the_run_goes_on(tmp_path: Path) -> None:
    turn = itertools.count()

    def garble(data: bytes) -> bytes:
        return data if next(turn) % 3 else b"\x00\xff23.1,,\xfe" + data

    with virtual_bench() as bench:
        bench.reader.faults.garble = garble
        result = run(bench, tmp_path / "run")
    bad = named(tmp_path / "run", "bad_line")
    assert result.exit_status == 0
    assert bad[0]["instrument"] == "reader"
    assert bad[0]["count"] >= len(bad[0]["lines"]) >= 1


def test_a_supply_that_refuses_to_switch_on_ends_the_run_with_it_off(tmp_path: Path) -> None:
    with virtual_bench() as bench:
        bench.supply.faults.refuse = "CURR 0.5"
        result = run(bench, tmp_path / "run")
        assert not bench.world.supply.on
    assert (result.reason, result.exit_status) == ("switch", 4)
    assert not named(tmp_path / "run", "power_on")


def test_a_supply_that_refuses_to_switch_off_is_told_loudly(tmp_path: Path) -> None:
    with virtual_bench() as bench:

        def refuse() -> None:
            bench.supply.faults.refuse = "OUTP OFF"

        watcher = Watcher(refuse)
        result = run(bench, tmp_path / "run", watcher)
        bench.supply.faults.refuse = None
        assert until(lambda: named(tmp_path / "run", "power_off"))
    assert named(tmp_path / "run", "power_off")[0]["by"] == "watchdog"
    assert (result.exit_status, result.power_is_off) == (4, False)
    assert any(loud and "BY HAND" in text for text, loud in watcher.lines)
    assert named(tmp_path / "run", "power_off_failed")


def test_a_supply_whose_switch_cannot_be_read_back_is_refused_by_what_was_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("bench.acquisition.power_switch.OFF_WITHIN_S", 1.0)
    with virtual_bench() as bench:
        rig = short_rig(bench.ports)
        supply = rig.instrument[1]
        switch = supply.switch.model_copy(update={"state": "FOO?"})  # type: ignore[union-attr]
        asking = supply.model_copy(update={"switch": switch})
        rig = rig.model_copy(update={"instrument": (rig.instrument[0], asking)})
        with pytest.raises(PortError, match=r"before the start: supply: no answer to FOO\?"):
            heat_run(rig, folder=tmp_path / "run", clock=RealClock(), estimate=False)
    assert not (tmp_path / "run").exists()


@pytest.mark.parametrize("cool_s", [0.0, 5.0])
def test_a_supply_that_says_off_and_still_gives_power_is_told_loudly(
    tmp_path: Path, cool_s: float
) -> None:
    with virtual_bench() as bench:

        def weld() -> None:
            bench.world.supply.welded = True

        watcher = Watcher(weld)
        result = run(bench, tmp_path / "run", watcher, sequence={"cool_s": cool_s})
    assert (result.exit_status, result.power_is_off) == (4, False)
    assert any(loud and "BY HAND" in text for text, loud in watcher.lines)
    assert "still gives 4.2 W" in named(tmp_path / "run", "power_off_failed")[0]["problem"]


def test_a_supply_that_switches_on_and_gives_nothing_ends_the_run(tmp_path: Path) -> None:
    with virtual_bench() as bench:
        bench.world.supply.load_ohm = 1e9
        result = run(bench, tmp_path / "run", sequence={"heat_s": 30.0}, guard=SOON)
        assert not bench.world.supply.on
    assert (result.reason, result.exit_status, result.power_is_off) == ("guard", 4, True)
    assert "is the load connected" in result.text


@pytest.mark.parametrize("victim", ["reader", "supply"])
def test_an_instrument_that_answers_with_anothers_reply_is_never_believed(
    tmp_path: Path, victim: str
) -> None:
    other = {"reader": b"12.00000\n", "supply": b"23.1,22.9,23.0,23.2,23.1\n"}[victim]
    with virtual_bench() as bench:

        def swap() -> None:
            getattr(bench, victim).faults.garble = lambda data: other

        result = run(bench, tmp_path / "run", Watcher(swap), sequence={"heat_s": 30.0}, guard=SOON)
        bench.supply.faults.garble = None
        assert until(lambda: named(tmp_path / "run", "power_off"))
    assert result.exit_status == 4
    assert {one["instrument"] for one in named(tmp_path / "run", "bad_line")} == {victim}
    record = read_run(tmp_path / "run")
    assert np.nanmin(record.temperature_degC) > 20
    assert set(np.round(record.power[np.isfinite(record.power)], 0)) <= {0.0, 4.0}


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


@pytest.mark.parametrize("lost", ["reader", "supply"])
def test_a_port_that_does_not_exist_leaves_nothing_behind(tmp_path: Path, lost: str) -> None:
    with virtual_bench() as bench:
        ports = {**bench.ports, lost: str(tmp_path / "none")}
        with pytest.raises(PortError, match="does not exist"):
            heat_run(short_rig(ports), folder=tmp_path / "run", clock=RealClock())
    assert not (tmp_path / "run").exists()


def test_a_port_taken_by_another_program_is_said_in_one_line(tmp_path: Path) -> None:
    with virtual_bench() as bench:
        watcher = Watcher(lambda: _refused(bench, tmp_path / "second"))
        result = run(bench, tmp_path / "run", watcher)
    assert result.exit_status == 0
    assert not (tmp_path / "second").exists()


def _refused(bench: VirtualBench, folder: Path) -> None:
    with pytest.raises(PortError, match="taken by another program"):
        heat_run(short_rig(bench.ports), folder=folder, clock=RealClock())


def test_a_reader_that_sends_nothing_legible_is_refused_before_anything_is_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("bench.acquisition.scan.FIRST_READING_AT_LEAST_S", 1.5)
    with virtual_bench() as bench:
        bench.reader.faults.garble = lambda data: b"what?\n"
        with pytest.raises(PortError, match=r"no reading on port .* 'what\?'"):
            run(bench, tmp_path / "run", guard={"silence_s": 1.5})
    assert not (tmp_path / "run").exists()


def test_a_folder_that_exists_is_never_written_to(tmp_path: Path) -> None:
    with virtual_bench() as bench, pytest.raises(RecordError, match="exists already"):
        run(bench, tmp_path)
    assert list(tmp_path.iterdir()) == []


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


def test_a_run_that_nobody_could_switch_is_not_begun(tmp_path: Path) -> None:
    with virtual_bench() as bench, pytest.raises(PortError, match="standard input has ended"):
        heat_run(
            short_rig(bench.ports, power={"switch": "operator"}),
            folder=tmp_path / "run",
            clock=RealClock(),
            keyboard=io.StringIO(""),
            estimate=False,
        )
    assert not (tmp_path / "run").exists()


def test_the_same_run_over_sockets(tmp_path: Path) -> None:
    with virtual_bench(make_port=lambda name, folder: SocketEnd()) as bench:
        result = run(bench, tmp_path / "run")
        assert turns(bench) == [False, True, False]
    assert result.exit_status == 0
    assert len(read_run(tmp_path / "run").t_s) > 15
