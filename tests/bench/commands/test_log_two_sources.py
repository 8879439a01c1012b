"""`heatrun log` of two sources as a program: whatever ends it, both are off."""

from __future__ import annotations

import signal
import subprocess
from collections.abc import Iterator
from importlib.resources import as_file
from pathlib import Path
from typing import Any

import pytest

from bench.virtual.ports import HAS_PTY
from fit.records.run import read_run
from tests.support.bench_rigs import HEATRUN, OtherProcess, events, named, until
from tests.support.two_sources import SCENARIO, two_source_tables

pytestmark = pytest.mark.skipif(not HAS_PTY, reason="this system has no pty and no POSIX signals")
LONG: dict[str, Any] = {"phases": [{"on": ["charger", "regulator"], "for_s": 60.0}]}
ONE_AFTER_ANOTHER: dict[str, Any] = {
    "interval_s": 0.1,
    "phases": [
        {"on": ["charger", "regulator"], "for_s": 0.5},
        {"on": ["regulator"], "for_s": 15.0},
    ],
}
BOTH = {"charger", "regulator"}


@pytest.fixture
def other(tmp_path: Path) -> Iterator[OtherProcess]:
    with OtherProcess(tmp_path, "--scenario", "two-parts") as made:
        yield made


def all_off(other: OtherProcess) -> bool:
    return not any(other.state()["supplies"].values())


def all_on(other: OtherProcess) -> bool:
    return all(other.state()["supplies"].values())


def sources(run: Path, event: str) -> list[str]:
    return [one["source"] for one in named(run, event)]


def log(other: OtherProcess, run: Path, sequence: dict[str, Any]) -> None:
    other.log(run, whole_rig=two_source_tables(other.ports, sequence=sequence))
    other.wait_for(run, "power_on")
    assert until(lambda: all_on(other))


def test_kill_9_leaves_both_supplies_off_and_says_so_of_each(
    other: OtherProcess, tmp_path: Path
) -> None:
    run = tmp_path / "run"
    log(other, run, LONG)
    other.send(signal.SIGKILL)
    assert until(lambda: all_off(other), 4.0)
    _, _, err = other.finish()
    assert until(lambda: set(sources(run, "power_off")) == BOTH)
    assert {one["by"] for one in named(run, "power_off")} == {"watchdog"}
    assert "the watchdog has switched supply_1 off" in err
    assert "the watchdog has switched supply_2 off" in err
    assert not named(run, "stop")
    assert read_run(run).sources == ("charger", "regulator")


def test_a_logger_that_hangs_has_both_switched_off(other: OtherProcess, tmp_path: Path) -> None:
    log(other, tmp_path / "run", LONG)
    other.send(signal.SIGSTOP)
    try:
        assert until(lambda: all_off(other), 20.0)
    finally:
        other.send(signal.SIGCONT)


def test_ctrl_c_switches_both_off_in_order(other: OtherProcess, tmp_path: Path) -> None:
    run = tmp_path / "run"
    log(other, run, LONG)
    other.send(signal.SIGINT)
    assert other.finish()[0] == 0
    assert all_off(other)
    assert set(sources(run, "power_off")) == BOTH
    assert named(run, "stop")[0]["reason"] == "operator"


def test_a_run_killed_in_its_second_phase_is_gone_on_with_there(
    other: OtherProcess, tmp_path: Path
) -> None:
    run = tmp_path / "run"
    log(other, run, ONE_AFTER_ANOTHER)
    other.wait_for(run, "power_off")
    other.send(signal.SIGKILL)
    assert until(lambda: all_off(other), 4.0)
    other.finish()
    assert until(lambda: sources(run, "power_off") == ["charger", "regulator"])
    done = subprocess.run(
        [*HEATRUN, "log", str(run.with_suffix(".toml")), "--resume", str(run)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stderr.count("Traceback")) == (0, 0)
    assert sources(run, "power_on")[2:] == ["regulator"]
    assert sources(run, "power_off") == ["charger", "regulator", "regulator"]
    assert events(run)[-1]["reason"] == "finished"
    assert all_off(other)


def test_a_budget_of_other_sources_is_refused_before_anything_is_done(
    other: OtherProcess, tmp_path: Path
) -> None:
    rig = two_source_tables(other.ports, sequence=LONG)
    with as_file(SCENARIO / "budget.toml") as path:
        text = path.read_text(encoding="utf-8").replace('name = "regulator"', 'name = "driver"')
    (tmp_path / "budget.toml").write_text(text, encoding="utf-8")
    other.log(tmp_path / "run", "--budget", str(tmp_path / "budget.toml"), whole_rig=rig)
    status, _, err = other.finish()
    assert status == 2
    assert err.count("\n") == 1
    assert "are charger, driver, and the rig's are charger, regulator" in err
    assert not (tmp_path / "run").exists()


def test_an_operator_is_asked_for_each_source(other: OtherProcess, tmp_path: Path) -> None:
    run = tmp_path / "run"
    rig = two_source_tables(other.ports, source=({"switch": "operator"}, {"switch": "operator"}))
    for source, watts in zip(rig["source"], (3.0, 2.2), strict=True):
        del source["V"], source["A"]
        source.update(power="stated", power_W=watts)
    (tmp_path / "answers").write_text("\n" * 4)
    with (tmp_path / "answers").open() as answers:
        other.log(run, stdin=answers, whole_rig=rig)
        status, _, err = other.finish()
    assert status == 0
    asked = [line.split(" now")[0] for line in err.splitlines() if "press Enter" in line]
    assert [one.split("Switch ")[1] for one in asked] == [
        "'charger' ON",
        "'regulator' ON",
        "'charger' OFF",
        "'regulator' OFF",
    ]
