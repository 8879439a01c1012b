"""`heatrun log` killed, stopped in its tracks, and resumed."""

from __future__ import annotations

import signal
import subprocess
import time
from pathlib import Path

import pytest

from bench.virtual.ports import HAS_PTY
from fit.records.run import read_run
from tests.support.bench_rigs import HEATRUN, OtherProcess, named

LONG = {"heat_s": 60.0}


pytestmark = pytest.mark.skipif(not HAS_PTY, reason="this system has no pty and no POSIX signals")


def test_kill_9_leaves_the_supply_off_and_the_record_readable(
    other: OtherProcess, tmp_path: Path
) -> None:
    other.log(tmp_path / "run", sequence=LONG)
    other.wait_for(tmp_path / "run", "power_on")
    time.sleep(0.3)
    assert other.state()["on"]
    other.send(signal.SIGKILL)
    other.wait_until_off(2.0)
    _, _, err = other.finish()
    assert "the watchdog has switched supply off" in err
    assert named(tmp_path / "run", "power_off")[0]["by"] == "watchdog"
    assert not named(tmp_path / "run", "stop")
    assert len(read_run(tmp_path / "run").t_s) > 3


def killed(other: OtherProcess, run: Path, heat_s: float) -> None:
    """A run whose program dies with the power on; the watchdog has switched it off."""
    other.log(run, sequence={"heat_s": heat_s})
    other.wait_for(run, "power_on")
    other.send(signal.SIGKILL)
    other.wait_until_off(2.0)
    other.finish()


def resumed(run: Path, typed: str = "") -> subprocess.CompletedProcess[str]:
    """`heatrun log --resume` of a run, with the rig that OtherProcess wrote for it."""
    return subprocess.run(
        [*HEATRUN, "log", str(run.with_suffix(".toml")), "--resume", str(run)],
        input=typed,
        capture_output=True,
        text=True,
        timeout=40,
        check=False,
    )


def test_a_killed_run_is_resumed_with_the_gap_recorded(other: OtherProcess, tmp_path: Path) -> None:
    run = tmp_path / "run"
    killed(other, run, heat_s=12.0)  # a busy computer takes its time to start the second
    rows = len(read_run(run).t_s)
    second = resumed(run)
    record = read_run(run)
    assert (second.returncode, second.stderr.count("Traceback")) == (0, 0)
    assert named(run, "gap")[-1]["problem"].startswith("the program died")
    assert len(named(run, "power_on")) == 2
    assert len(record.t_s) > rows + 5
    assert named(run, "stop")[0]["reason"] == "finished"
    third = resumed(run)
    assert third.returncode == 2
    assert "this run has ended" in third.stderr


def test_a_run_resumed_after_its_heating_time_never_switches_the_power_on(
    other: OtherProcess, tmp_path: Path
) -> None:
    run = tmp_path / "run"
    killed(other, run, heat_s=2.0)
    rows, before = len(read_run(run).t_s), len(other.state()["switched"])
    time.sleep(2.0)
    done = resumed(run)
    assert (done.returncode, done.stderr.count("Traceback")) == (0, 0)
    assert True not in other.state()["switched"][before:]
    assert len(named(run, "power_on")) == 1
    assert len(read_run(run).t_s) > rows
    assert "had passed" in named(run, "stop")[0]["text"]


def test_an_operator_is_asked_for_the_power_off_that_nobody_has_confirmed(
    other: OtherProcess, tmp_path: Path
) -> None:
    run, power = tmp_path / "run", {"switch": "operator", "source": "stated", "power_W": 4.2}
    other.log(run, stdin=subprocess.PIPE, sequence={"heat_s": 1.0}, power=power)
    assert other.logger is not None
    assert other.logger.stdin is not None
    other.logger.stdin.write("\n")
    other.logger.stdin.flush()
    other.wait_for(run, "power_on")
    other.send(signal.SIGKILL)
    other.finish()
    time.sleep(1.0)
    done = resumed(run, "\n")
    assert done.returncode == 0
    assert ("power OFF now" in done.stderr, "power ON now" in done.stderr) == (True, False)
    assert len(named(run, "power_off")) == 1


def test_a_logger_stopped_in_its_tracks_is_taken_over_from(
    other: OtherProcess, tmp_path: Path
) -> None:
    # Ctrl-Z, say: the process lives and holds its port, but guards nothing.
    patience = "from bench.safety import watchdog_client as w; w.PATIENCE_AT_LEAST_S = 3.0"
    other.log(tmp_path / "run", first=patience, sequence=LONG, guard={"silence_s": 3.0})
    other.wait_for(tmp_path / "run", "power_on")
    other.send(signal.SIGSTOP)
    other.wait_until_off(7.0)
    other.send(signal.SIGCONT)
    status, _, err = other.finish()
    assert status == 4
    assert "held up" in err
