"""A supply that does not switch as it is told: the run ends, with the power off or said loudly."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.acquisition.run_loop import heat_run
from bench.clock import RealClock
from fit.errors import PortError
from tests.support.bench_rigs import (
    Watcher,
    named,
    short_rig,
    until,
    virtual_bench,
)
from tests.support.heat_runs import SOON, run

pytestmark = pytest.mark.usefixtures("no_watchdog_left")


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
