"""The record while it is written, and files that are none: said at once, nothing waited for."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path
from typing import Any

import pytest

from bench.cli import main
from bench.monitor.page_state import page_state
from bench.virtual.ports import HAS_PTY
from fit.errors import RecordError, RigError
from fit.output.one_line import LONGEST, short
from fit.records.events import read_events
from fit.records.run import read_run
from fit.records.tail import FolderReader
from tests.support.bench_rigs import OtherProcess, named

HEADER = "t_s,tab_degC,case_degC,power_W\n"
BAD_EVENTS = [
    '{"t_s": NaN, "event": "power_on"}',
    '{"t_s": Infinity, "event": "stop"}',
    '{"t_s": 1' + "0" * 400 + ', "event": "stop"}',
    '{"t_s": null, "event": "stop"}',
    "[" * 100_000,
    '"stop"',
]


def heatrun(*words: str) -> int:
    with pytest.raises(SystemExit) as left:
        main(list(words))
    return int(left.value.code or 0)


@pytest.mark.skipif(not HAS_PTY, reason="this system has no pty and no POSIX signals")
@pytest.mark.parametrize("gone", [shutil.rmtree, lambda run: run.rename(f"{run}.moved")])
def test_a_run_folder_that_goes_away_ends_the_run_with_the_power_off(
    tmp_path: Path, gone: Any
) -> None:
    run = tmp_path / "run"
    with OtherProcess(tmp_path) as other:
        other.log(run, sequence={"heat_s": 60.0})
        other.wait_for(run, "power_on")
        gone(run)
        other.wait_until_off(2.0)
        status, _, err = other.finish()
    assert status == 4
    assert "was deleted, moved or replaced" in err
    moved = Path(f"{run}.moved")
    if moved.exists():
        assert named(moved, "stop")[0]["reason"] == "disk"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes with names")
@pytest.mark.parametrize("command", ["fit", "log", "import"])
def test_a_pipe_is_refused_and_not_waited_for(
    tmp_path: Path, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    os.mkfifo(tmp_path / "pipe")
    more = ["--time", "1", "--node", "tab=2", "--power", "4", "--out", str(tmp_path / "made")]
    words = [command, str(tmp_path / "pipe"), *(more if command == "import" else [])]
    assert heatrun(*words) == 2
    assert "is no regular file" in capsys.readouterr().err


def test_events_whose_time_is_none_are_refused_and_told(tmp_path: Path) -> None:
    path = tmp_path / "events.jsonl"
    good = '{"t_s": 1.0, "event": "power_on"}'
    path.write_text("\n".join([good, *BAD_EVENTS]) + "\n")
    events, left_out = read_events(path)
    assert [event.event for event in events] == ["power_on"]
    assert "lines 2, 3" in left_out[0]


def test_the_page_goes_on_after_any_event(tmp_path: Path) -> None:
    (tmp_path / "readings.csv").write_text(HEADER + "0.0,23,23,0\n1.0,23,23,0\n")
    odd = '{"t_s": 1.0, "event": "guard", "text": {"a": [1]}, "instrument": [null]}'
    (tmp_path / "events.jsonl").write_text("\n".join([*BAD_EVENTS, odd]) + "\n")
    reader = FolderReader(tmp_path)
    reader.look()
    assert len(reader.events) == 1
    json.dumps(page_state(reader, [], False))


def test_a_run_json_that_is_a_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "readings.csv").write_text(HEADER + "0.0,23,23,0\n")
    (tmp_path / "run.json").mkdir()
    with pytest.raises(RecordError, match=r"run\.json"):
        read_run(tmp_path)


def test_a_rig_that_is_a_device_is_refused() -> None:
    from bench.rig.schema import read_rig

    with pytest.raises(RigError, match="no regular file"):
        read_rig("/dev/null")


@pytest.mark.skipif(not HAS_PTY, reason="this system has no pty and no POSIX signals")
def test_a_label_that_is_no_text_leaves_no_half_a_folder(tmp_path: Path) -> None:
    run = tmp_path / "run"
    with OtherProcess(tmp_path) as other:
        other.log(run, "--label", "k\udcff")
        status, _, err = other.finish()
    assert "Traceback" not in err
    assert (status == 0) is run.exists()


def test_a_long_message_keeps_its_beginning_and_its_end() -> None:
    line = short("heatrun: rig.toml: " + "x" * 5000 + "; write it as a table")
    assert len(line) <= LONGEST
    assert line.startswith("heatrun: rig.toml: ")
    assert line.endswith("; write it as a table")
