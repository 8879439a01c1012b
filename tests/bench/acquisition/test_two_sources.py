"""A heat run of two sources on the virtual bench: its record, and both off at every end."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bench.acquisition.finish import LogResult
from bench.acquisition.run_loop import heat_run
from bench.clock import RealClock
from bench.rig.schema import rig_from
from bench.virtual.bench import VirtualBench
from fit.errors import PortError
from fit.records.run import read_run
from tests.support.bench_rigs import Watcher, events, named
from tests.support.two_sources import two_part_bench, two_source_rig, two_source_tables

LONG = {"phases": [{"on": ["charger", "regulator"], "for_s": 60.0}]}


def run(bench: VirtualBench, folder: Path, view: Any = None, **changes: Any) -> LogResult:
    rig = two_source_rig(bench.ports, **changes)
    return heat_run(rig, folder=folder, clock=RealClock(), view=view)


def turns(bench: VirtualBench, supply: str) -> list[bool]:
    return [on for on, _ in itertools.groupby(bench.world.supplies[supply].switched)]


def all_off(bench: VirtualBench) -> bool:
    return not any(supply.on for supply in bench.world.supplies.values())


def test_the_record_has_the_figures_of_each_source_and_events_that_name_it(tmp_path: Path) -> None:
    with two_part_bench() as bench:
        result = run(bench, tmp_path / "run")
        assert turns(bench, "supply_1") == turns(bench, "supply_2") == [False, True, False]
    assert (result.reason, result.power_is_off) == ("finished", True)
    switched = [
        (one["event"], one["source"])
        for one in events(tmp_path / "run")
        if one["event"].startswith("power_")
    ]
    assert set(switched[:2]) == {("power_on", "charger"), ("power_on", "regulator")}
    assert switched[2:] == [("power_off", "charger"), ("power_off", "regulator")]
    header = (tmp_path / "run" / "readings.csv").read_text().splitlines()[0]
    assert header.endswith("ambient_degC,charger_V,charger_A,regulator_V,regulator_A")
    record = read_run(tmp_path / "run")
    assert record.sources == ("charger", "regulator")
    assert record.source_power is not None
    assert np.nanmax(record.source_power, axis=0) == pytest.approx([3.0, 2.2], rel=0.02)


def test_a_stated_source_is_recorded_while_it_is_on_and_as_0_while_it_is_off(
    tmp_path: Path,
) -> None:
    with two_part_bench() as bench:
        tables = two_source_tables(bench.ports)
        tables["source"][0] = {
            "name": "charger",
            "power": "stated",
            "power_W": 3.1,
            "switch": "supply_1",
        }
        heat_run(rig_from(tables, "rig.toml"), folder=tmp_path / "run", clock=RealClock())
    record = read_run(tmp_path / "run")
    assert record.source_power is not None
    assert record.sources == ("charger", "regulator")
    assert set(record.source_power[:, 0]) == {0.0, 3.1}
    assert record.source_power[-1, 0] == 0.0


def test_a_temperature_limit_switches_both_off(tmp_path: Path) -> None:
    with two_part_bench(speed=100) as bench:
        limits = {"max_degC": {"regulator_tab": 26.0}}
        result = run(bench, tmp_path / "run", guard=limits, sequence=LONG)
        assert all_off(bench)
    assert (result.reason, result.exit_status, result.power_is_off) == ("guard", 4, True)
    assert {one["source"] for one in named(tmp_path / "run", "power_off")} == {
        "charger",
        "regulator",
    }


def test_a_fault_of_the_programs_own_switches_both_off(tmp_path: Path) -> None:
    def fail() -> None:
        raise ZeroDivisionError("our own")

    with two_part_bench() as bench:
        with pytest.raises(ZeroDivisionError):
            run(bench, tmp_path / "run", Watcher(fail), sequence=LONG)
        assert all_off(bench)


def test_a_lost_reader_switches_both_off(tmp_path: Path) -> None:
    with two_part_bench() as bench:
        view = Watcher(bench.reader.close)
        result = run(bench, tmp_path / "run", view, sequence=LONG, guard={"silence_s": 1.0})
        assert all_off(bench)
    assert (result.reason, result.exit_status) == ("instrument", 4)


def test_a_supply_that_refuses_to_go_on_has_the_other_switched_off(tmp_path: Path) -> None:
    with two_part_bench() as bench:
        bench.supplies["supply_2"].faults.refuse = "OUTP ON"
        result = run(bench, tmp_path / "run", sequence=LONG)
        assert all_off(bench)
    assert (result.reason, result.exit_status) == ("switch", 4)


def test_a_supply_that_cannot_be_switched_off_keeps_the_run_from_its_start(tmp_path: Path) -> None:
    with two_part_bench() as bench:
        bench.supplies["supply_2"].faults.refuse = "OUTP OFF"
        with pytest.raises(PortError, match="before the start"):
            run(bench, tmp_path / "run")
    assert not (tmp_path / "run").exists()


def test_without_a_budget_it_says_once_that_there_is_no_live_estimate(tmp_path: Path) -> None:
    view = Watcher()
    with two_part_bench() as bench:
        result = run(bench, tmp_path / "run", view)
    said = [text for text, _ in view.lines if "estimate of several sources needs a budget" in text]
    assert (len(said), result.text) == (1, "heated for 1 s")
    assert all(status.estimate is None for status in view.statuses)


def test_a_source_that_is_never_switched_is_measured_and_said_to_be_left_as_it_is(
    tmp_path: Path,
) -> None:
    view = Watcher()
    with two_part_bench() as bench:
        supply = bench.world.supplies["supply_1"]
        supply.set_V, supply.set_A, supply.on = 12.0, 0.5, True
        run(
            bench,
            tmp_path / "run",
            view,
            source=({"switch": "none"}, {}),
            sequence={"phases": [{"on": ["regulator"], "for_s": 0.4}]},
        )
        assert supply.switched == []
    record = read_run(tmp_path / "run")
    assert record.source_power is not None
    assert np.nanmin(record.source_power[:, 0]) > 2.9
    assert ("'charger' is never switched by the run: IT MAY STILL BE ON", True) in view.lines
