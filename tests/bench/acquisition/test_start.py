"""What is refused before a run is begun: nothing is made, nothing is switched on."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from bench.acquisition.run_loop import heat_run
from bench.clock import RealClock
from bench.virtual.bench import VirtualBench
from bench.virtual.ports import HAS_PTY
from fit.errors import PortError, RecordError
from tests.support.bench_rigs import (
    Watcher,
    short_rig,
    virtual_bench,
)
from tests.support.heat_runs import run

pytestmark = pytest.mark.usefixtures("no_watchdog_left")


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
    speed = r"; check baud = \d+" if HAS_PTY else ""
    with virtual_bench() as bench:
        bench.reader.faults.garble = lambda data: b"what?\n"
        with pytest.raises(PortError, match=rf"no reading on port .* 'what\?'{speed}"):
            run(bench, tmp_path / "run", guard={"silence_s": 1.5})
    assert not (tmp_path / "run").exists()


def test_a_folder_that_exists_is_never_written_to(tmp_path: Path) -> None:
    with virtual_bench() as bench, pytest.raises(RecordError, match="exists already"):
        run(bench, tmp_path)
    assert list(tmp_path.iterdir()) == []


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
