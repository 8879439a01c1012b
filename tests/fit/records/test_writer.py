"""Writing a run: every row at once, and a run that died is gone on with."""

from __future__ import annotations

import errno
import math
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from fit.errors import NotIdentifiable, RecordError
from fit.identification.identify import identify
from fit.records import writer as run_folder
from fit.records.run import read_run
from fit.records.run_folder import default_folder
from fit.records.writer import RunWriter
from tests.support.made_records import START, new_writer, written


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    run = written(tmp_path / "run")
    assert run.nodes == ("tab", "case")
    assert run.t_s.tolist() == [0.0, 1.0]
    assert run.temperature_degC[:, 0].tolist() == [23.0, 24.0625]
    assert run.power.tolist() == [0.0, 4.2]
    assert run.label == "pad"


def test_a_missing_reading_is_an_empty_cell_and_nan(tmp_path: Path) -> None:
    run = written(tmp_path / "run")
    assert (tmp_path / "run" / "readings.csv").read_text().splitlines()[2] == "1.0,24.0625,,4.2"
    assert math.isnan(run.temperature_degC[1, 1])


def test_events_keep_their_details(tmp_path: Path) -> None:
    first, last = written(tmp_path / "run").events
    assert (first.t_s, first.event, first.details) == (0.5, "power_on", {"by": "supply"})
    assert last.event == "stop"


def test_a_folder_that_exists_is_refused_and_untouched(tmp_path: Path) -> None:
    written(tmp_path / "run")
    before = (tmp_path / "run" / "readings.csv").read_bytes()
    with pytest.raises(RecordError, match="exists already"):
        new_writer(tmp_path / "run", "tab")
    assert (tmp_path / "run" / "readings.csv").read_bytes() == before


def test_the_folder_is_named_by_utc_start_and_label() -> None:
    folder = default_folder("Charge controller, rev C", START)
    assert folder == Path("runs") / "20261125T101500Z_charge-controller-rev-c"


def test_every_row_reaches_the_file_at_once(tmp_path: Path) -> None:
    with new_writer(tmp_path / "run", "tab") as writer:
        writer.append_scan(0.0, {"tab_degC": 23.0, "power_W": 0.0})
        assert len(read_run(tmp_path / "run").t_s) == 1


def test_rows_are_synced_within_a_second_without_another_scan(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[int] = []
    with new_writer(tmp_path / "run", "tab") as writer:
        monkeypatch.setattr(run_folder.os, "fsync", synced.append)
        writer.append_scan(0.0, {"tab_degC": 23.0, "power_W": 0.0})
        deadline = time.monotonic() + 1.0
        while not synced and time.monotonic() < deadline:
            time.sleep(0.02)
        assert writer._readings.fileno() in synced


def test_an_event_is_synced_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(run_folder, "SYNC_EVERY_S", 1e6)
    with new_writer(tmp_path / "run", "tab") as writer:
        synced: list[int] = []
        writer.append_event(0.0, "soak")
        monkeypatch.setattr(run_folder.os, "fsync", synced.append)
        writer.append_event(1.0, "power_on")
        deadline = time.monotonic() + 1.0
        while len(synced) < 2 and time.monotonic() < deadline:
            time.sleep(0.005)
        assert {writer._readings.fileno(), writer._events.fileno()} <= set(synced)


def test_a_disk_that_hangs_holds_up_neither_scans_nor_events(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mended = threading.Event()
    with new_writer(tmp_path / "run", "tab") as writer:
        monkeypatch.setattr(run_folder.os, "fsync", lambda _: mended.wait(20.0))
        for number in range(20):
            writer.append_event(float(number), "phase")
            writer.append_scan(float(number), {"tab_degC": 23.0, "power_W": 0.0})
        assert not mended.is_set()
        kept = read_run(tmp_path / "run")
        assert (len(kept.t_s), len(kept.events)) == (20, 20)
        mended.set()


def test_a_run_that_died_before_the_supply_answered_is_read(tmp_path: Path) -> None:
    with new_writer(tmp_path / "run", "tab") as writer:
        for number in range(10):
            writer.append_scan(float(number), {"tab_degC": 23.0})
    run = read_run(tmp_path / "run")
    assert np.isnan(run.power).all()
    with pytest.raises(NotIdentifiable, match="no power was recorded"):
        identify(run)


def test_a_run_that_died_before_its_first_scan_is_named(tmp_path: Path) -> None:
    new_writer(tmp_path / "run", "tab").close()
    with pytest.raises(RecordError, match=r"readings\.csv: has a header and no reading"):
        read_run(tmp_path / "run")
    with RunWriter.resume(tmp_path / "run") as again:
        again.append_scan(5.0, {"tab_degC": 23.0, "power_W": 0.0})
    assert read_run(tmp_path / "run").t_s.tolist() == [5.0]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this system")
def test_a_full_disk_is_named(tmp_path: Path) -> None:
    with Path("/dev/full").open("wb", buffering=0) as full, (tmp_path / "e").open("wb") as events:
        writer = RunWriter(tmp_path, ["t_s", "tab_degC"], full, events)  # type: ignore[arg-type]
        with pytest.raises(RecordError, match="does not take more"):
            writer.append_scan(0.0, {"tab_degC": 23.0})


def test_a_sync_that_failed_stops_the_next_scan(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(_: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(run_folder, "SYNC_EVERY_S", 0.01)
    writer = new_writer(tmp_path / "run", "tab")
    with monkeypatch.context() as broken:
        broken.setattr(run_folder.os, "fsync", fail)
        writer.append_scan(0.0, {"tab_degC": 23.0})
        writer._thread.join(timeout=5.0)
    with pytest.raises(RecordError, match="Input/output error"):
        writer.append_scan(1.0, {"tab_degC": 23.0})
    with pytest.raises(RecordError, match="Input/output error"):
        writer.close()
    writer.close()


@pytest.mark.parametrize("t_s", [1.0, 0.5, math.nan])
def test_time_that_does_not_advance_is_refused(tmp_path: Path, t_s: float) -> None:
    with new_writer(tmp_path / "run", "tab") as writer:
        writer.append_scan(1.0, {"tab_degC": 23.0})
        with pytest.raises(RecordError, match="not later"):
            writer.append_scan(t_s, {"tab_degC": 23.0})


def test_an_unknown_column_is_refused(tmp_path: Path) -> None:
    with (
        new_writer(tmp_path / "run", "tab") as writer,
        pytest.raises(RecordError, match="no column bar_degC"),
    ):
        writer.append_scan(0.0, {"bar_degC": 23.0})


def test_the_writer_starts_without_numpy_and_pandas() -> None:
    code = (
        "import sys, fit.records.writer; "
        "sys.exit(bool({'numpy', 'pandas', 'scipy', 'lmfit', 'matplotlib'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_a_run_killed_while_it_writes_is_readable(tmp_path: Path) -> None:
    code = f"""
import sys; from datetime import UTC, datetime; from pathlib import Path
from fit.records.writer import RunWriter
from fit.records.metadata import run_document
writer = RunWriter.create(Path({str(tmp_path / "run")!r}),
                          run_document("pad", ["tab"], datetime.now(UTC)), ["power_W"])
for i in range(10**9):
    writer.append_scan(i * 0.01, {{"tab_degC": 23.0 + i, "power_W": 4.2}})
    if i == 500: print("under way", flush=True)
"""
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE) as child:
        assert child.stdout is not None
        child.stdout.readline()
        child.kill()
    run = read_run(tmp_path / "run")
    assert len(run.t_s) > 500
    assert np.array_equal(run.temperature_degC[:, 0], 23.0 + np.arange(len(run.t_s)))


def test_a_resumed_run_goes_on_after_its_last_row(tmp_path: Path) -> None:
    written(tmp_path / "run")
    with RunWriter.resume(tmp_path / "run") as writer:
        assert writer.last_t_s == 1.0
        writer.append_scan(60.0, {"tab_degC": 30.0, "power_W": 4.2})
        writer.append_event(60.0, "gap", seconds=59.0)
    run = read_run(tmp_path / "run")
    assert run.t_s.tolist() == [0.0, 1.0, 60.0]
    assert [event.event for event in run.events] == ["power_on", "stop", "gap"]


def test_a_torn_row_is_kept_as_an_event_when_a_run_is_resumed(tmp_path: Path) -> None:
    written(tmp_path / "run")
    with (tmp_path / "run" / "readings.csv").open("ab") as stream:
        stream.write(b"2.0,24.")
    with RunWriter.resume(tmp_path / "run") as writer:
        writer.append_scan(60.0, {"tab_degC": 30.0, "power_W": 4.2})
    run = read_run(tmp_path / "run")
    assert run.t_s.tolist() == [0.0, 1.0, 60.0]
    assert run.events[-1].details["text"] == "2.0,24."


def test_only_a_run_can_be_resumed(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"readings\.csv: cannot be resumed"):
        RunWriter.resume(tmp_path)
