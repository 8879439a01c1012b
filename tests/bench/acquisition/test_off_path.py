"""A channel off the heat path, a battery say, from the rig to the record's figure."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bench.acquisition.run_loop import heat_run
from bench.acquisition.start import further_along
from bench.clock import RealClock
from bench.rig.schema import Rig, rig_from
from fit.output.figures.record import record_figure
from fit.records.run import read_run
from fit.records.tail import FolderReader
from tests.support.bench_rigs import named, tables, virtual_bench

BATTERY = "bar"  # one of the bench's own nodes stands in for it


def rig_with_battery(ports: Any, **changes: Any) -> Rig:
    made = tables(ports, **changes)
    for channel in made["channel"]:
        if channel["node"] == BATTERY:
            channel.update(off_path=True, lag_s=2.0, lag_u_s=0.3)
    return rig_from(made, "rig.toml")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    with virtual_bench() as bench:
        to = tmp_path_factory.mktemp("off path") / "run"
        return heat_run(rig_with_battery(bench.ports), clock=RealClock(), folder=to).folder


def test_it_is_recorded_and_no_node_of_the_run(folder: Path) -> None:
    run = read_run(folder)
    assert run.nodes == ("tab", "board_back", "case", "ambient")
    assert run.off_path == (BATTERY,)
    assert np.isfinite(run.off_path_degC).any()
    assert run.temperature_degC.shape[1] == len(run.nodes)


def test_a_record_that_is_followed_leaves_it_out_as_well(folder: Path) -> None:
    reader = FolderReader(folder)
    reader.look()
    followed = reader.run()
    assert (followed.nodes, followed.off_path) == (read_run(folder).nodes, (BATTERY,))
    np.testing.assert_array_equal(followed.off_path_degC, read_run(folder).off_path_degC)


def test_it_is_drawn(folder: Path) -> None:
    figure = record_figure(read_run(folder))
    words = [text.get_text() for axes in figure.axes for text in axes.texts]
    assert any(BATTERY in word for word in words)


def test_lags_that_are_known_are_in_the_record(folder: Path) -> None:
    sensors: Any = read_run(folder).metadata.sensors
    assert (sensors[BATTERY]["lag_s"], sensors[BATTERY]["lag_u_s"]) == (2.0, 0.3)


def test_it_is_guarded(tmp_path: Path) -> None:
    with virtual_bench() as bench:
        rig = rig_with_battery(bench.ports, guard={"max_degC": {BATTERY: 10.0}})
        result = heat_run(rig, clock=RealClock(), folder=tmp_path / "run")
    assert (result.reason, result.exit_status) == ("guard", 4)
    assert named(tmp_path / "run", "guard")[0]["node"] == BATTERY


def test_no_order_of_the_path_is_expected_of_it() -> None:
    rig = rig_with_battery({"reader": "a", "supply": "b"})
    assert BATTERY not in further_along(rig, None)
    assert all(BATTERY not in along for along in further_along(rig, None).values())
