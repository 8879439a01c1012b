"""Instruments unplugged, silent, slow, or heard wrong: the run goes on or ends, and says so."""

from __future__ import annotations

import itertools
import os
from pathlib import Path

import numpy as np
import pytest

from fit.records.run import read_run
from tests.support.bench_rigs import (
    INTERVAL_S,
    Watcher,
    events,
    named,
    until,
    virtual_bench,
)
from tests.support.heat_runs import SOON, run
from tests.support.lan_bench import supply_on

pytestmark = pytest.mark.usefixtures("no_watchdog_left")


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


@pytest.mark.parametrize("bus", ["hislip", "vxi11"])
def test_a_supply_whose_connection_closes_is_connected_again(tmp_path: Path, bus: str) -> None:
    with virtual_bench(make_port=supply_on(bus)) as bench:

        def cut() -> None:
            bench.supply.port.unplug()
            bench.supply.port.replug()

        result = run(bench, tmp_path / "run", Watcher(cut), sequence={"heat_s": 4.0})
        assert not bench.world.supply.on
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
