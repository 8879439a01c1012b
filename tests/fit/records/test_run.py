"""The run folder: what is written is read back, what is torn is dropped, what is wrong is named."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fit.errors import RecordError
from fit.records.metadata import metadata_from, run_document
from fit.records.run import Run, read_run
from fit.records.writer import RunWriter
from tests.support.made_records import START, new_writer, written

HEADER = b"t_s,tab_degC,power_W\n"


def bare(tmp_path: Path, body: bytes) -> Path:
    path = tmp_path / "readings é.csv"
    path.write_bytes(body)
    return path


def complaint(path: Path) -> str:
    with pytest.raises(RecordError) as caught:
        read_run(path)
    message = str(caught.value)
    assert "\n" not in message
    assert message.startswith(str(path))
    return message.removeprefix(str(path))


def attempt(path: Path) -> Run | str:
    """The run, or what the reader says is wrong."""
    try:
        return read_run(path)
    except RecordError as error:
        return str(error)


def test_a_bare_csv_is_enough(tmp_path: Path) -> None:
    run = read_run(bare(tmp_path, HEADER + b"0,23,0\n1,24,4.2\n"))
    assert (run.nodes, run.power_unit, run.folder) == (("tab",), "W", None)


def test_power_is_volts_times_amperes(tmp_path: Path) -> None:
    run = read_run(bare(tmp_path, b"t_s,tab_degC,supply_V,supply_A\n0,23,12,0.35\n"))
    assert run.power.tolist() == pytest.approx([4.2])


def test_windows_line_ends_and_a_byte_order_mark_are_taken(tmp_path: Path) -> None:
    body = b"\xef\xbb\xbf" + (HEADER + b"0,23,0\n1,24,4.2\n").replace(b"\n", b"\r\n")
    assert read_run(bare(tmp_path, body)).power.tolist() == [0.0, 4.2]


def test_a_torn_last_line_is_dropped_and_said(tmp_path: Path) -> None:
    run = read_run(bare(tmp_path, HEADER + b"0,23,0\n1,24,4"))
    assert run.t_s.tolist() == [0.0]
    assert "line 3" in run.left_out[0]


def test_repeated_time_stamps_are_dropped_and_said(tmp_path: Path) -> None:
    run = read_run(bare(tmp_path, HEADER + b"0,23,0\n0,24,0\n1,24,4\n"))
    assert run.temperature_degC[:, 0].tolist() == [23.0, 24.0]
    assert run.left_out == ("1 row with a repeated time stamp",)


def test_a_channel_without_a_reading_is_kept_as_missing(tmp_path: Path) -> None:
    run = read_run(bare(tmp_path, b"t_s,tab_degC,bar_degC,power_W\n0,23,,0\n1,24,,4\n"))
    assert run.nodes == ("tab", "bar")
    assert np.isnan(run.temperature_degC[:, 1]).all()


def test_a_column_of_another_kind_is_passed_over_and_said(tmp_path: Path) -> None:
    run = read_run(bare(tmp_path, b"t_s,tab_degC,power_W,note\n0,23,0,fan off\n"))
    assert "note" in run.left_out[0]


def test_the_unit_of_the_power_comes_from_the_run_document(tmp_path: Path) -> None:
    document = run_document("drive", ["tab"], START, power_unit="percent")
    with RunWriter.create(tmp_path / "run", document, ["power_W"]) as writer:
        writer.append_scan(0.0, {"tab_degC": 23.0, "power_W": 50.0})
    assert read_run(tmp_path / "run" / "readings.csv").power_unit == "percent"


def test_an_event_line_that_cannot_be_read_is_left_out_and_said(tmp_path: Path) -> None:
    written(tmp_path / "run")
    with (tmp_path / "run" / "events.jsonl").open("ab") as stream:
        stream.write(b"oops\n" + b'{"t_s": 2, "event": "gap"}\n' + b'{"t_s": 3, "ev')
    run = read_run(tmp_path / "run")
    assert [event.event for event in run.events] == ["power_on", "stop", "gap"]
    assert "lines 3, 5" in run.left_out[0]


@pytest.mark.parametrize("line", [b'{"t_s": ' + b"9" * 400 + b', "event": "gap"}', b"[" * 100_000])
def test_an_event_beyond_all_measure_is_left_out_and_said(tmp_path: Path, line: bytes) -> None:
    written(tmp_path / "run")
    with (tmp_path / "run" / "events.jsonl").open("ab") as stream:
        stream.write(line + b"\n")
    assert "line 3" in read_run(tmp_path / "run").left_out[0]


def test_a_label_cannot_write_on_the_terminal(tmp_path: Path) -> None:
    document = run_document("pad\n\x1b[31mred", ["tab"], START)
    RunWriter.create(tmp_path / "run", document, ["power_W"]).close()
    with (tmp_path / "run" / "readings.csv").open("ab") as stream:
        stream.write(b"0,23,0\n")
    assert read_run(tmp_path / "run").label == "pad ?[31mred"


def test_the_match_stated_with_the_sensors_counts(tmp_path: Path) -> None:
    sensors = {"tab": {"match_u": 0.004}, "case": {"match_u": 0.003}}
    rig = {"channel": [{"node": "case", "match_u": 0.002}], "power": {"u_relative": 0.005}}
    metadata = metadata_from({"sensors": sensors, "rig": rig}, tmp_path)
    assert (metadata.match_u, metadata.power_u) == ({"tab": 0.004, "case": 0.002}, 0.005)


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (b"", "is empty"),
        (HEADER, "no reading"),
        (b"time,temp\n0,23\n", "line 1: has no column t_s but time, temp"),
        (b"t_s,power_W\n0,4\n", "no temperature column"),
        (b"t_s,tab_degC\n0,23\n", "has no column power_W and no supply_V and no supply_A"),
        (b"t_s,tab_degC,supply_V\n0,23,12\n", "supply_V with supply_A"),
        (b"t_s,tab_degC,tab_degC,power_W\n0,1,2,3\n", "'tab_degC' stands twice"),
        (HEADER + b"0,23,0\n1,2e,4\n", "line 3, column tab_degC: '2e' is not a number"),
        (HEADER + b"0,23,0\n\n1,24,inf\n", "line 4, column power_W: 'inf' is not a number"),
        (HEADER + b"0,23,0\n1,24\n2,25,4\n", "line 3: has 2 cells; the header has 3"),
        (HEADER + b"0,23,0\n1,24,4,5\n", "line 3: has 4 cells"),
        (HEADER + b"0,23,0\n,24,4\n", "line 3, column t_s: is empty"),
        (HEADER + b"1,23,0\n0.5,24,4\n", "line 3, column t_s: time runs backwards"),
        (HEADER + b"0,,0\n1,,4\n", "column tab_degC: holds no reading at all"),
        (b"# bench 2\n" + HEADER + b"0,23,0\n", "line 1: is a comment"),
        (HEADER + b"0,23,0\n# fan off\n", "line 3: is a comment"),
        (HEADER + b"0,2\0003,0\n", "line 2: holds NUL bytes"),
        (b"t_s,t\xe4b_degC,power_W\n0,23,0\n", "line 1: is not UTF-8"),
        (b"\x89PNG\r\n\x1a\n", "line 1: is not UTF-8 text"),
    ],
)
def test_what_is_wrong_is_named_with_its_place(tmp_path: Path, body: bytes, says: str) -> None:
    assert says in complaint(bare(tmp_path, body))


def test_no_such_run_is_named(tmp_path: Path) -> None:
    assert "no such file or folder" in complaint(tmp_path / "absent")


def test_a_folder_without_readings_is_named(tmp_path: Path) -> None:
    assert "holds no readings.csv" in complaint(tmp_path)


@pytest.mark.parametrize(
    ("document", "says"),
    [
        ("{", "line 1 column 2: is not JSON"),
        ("[]", "is not a JSON object"),
        ('{"schema": "heatrun.run/9"}', "schema: is 'heatrun.run/9'"),
    ],
)
def test_a_run_document_that_cannot_be_used_is_named(
    tmp_path: Path, document: str, says: str
) -> None:
    written(tmp_path / "run")
    (tmp_path / "run" / "run.json").write_text(document)
    with pytest.raises(RecordError, match=r"run\.json") as caught:
        read_run(tmp_path / "run")
    assert says in str(caught.value)


readings = st.one_of(st.none(), st.floats(-270, 1800), st.floats(-270, 1800).map(round))


@given(
    rows=st.lists(st.tuples(readings, readings, st.floats(0, 1e4)), min_size=1, max_size=30),
    step_s=st.floats(1e-3, 1e5),
)
@settings(max_examples=60, deadline=None)
def test_any_readings_make_the_round_trip(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple], step_s: float
) -> None:
    rows = [(21.0, 22.0, 0.0), *rows]
    folder = tmp_path_factory.mktemp("round trip") / "run"
    t_s = [i * step_s for i in range(len(rows))]
    with new_writer(folder, "tab", "case") as writer:
        for t, (tab, case, power) in zip(t_s, rows, strict=True):
            writer.append_scan(t, {"tab_degC": tab, "case_degC": case, "power_W": power})
    run = read_run(folder)
    there = np.array([[np.nan if v is None else v for v in row] for row in rows], dtype=float)
    np.testing.assert_allclose(run.t_s, t_s, rtol=1e-15)
    np.testing.assert_allclose(run.temperature_degC, there[:, :2], rtol=1e-15, atol=1e-300)
    np.testing.assert_allclose(run.power, there[:, 2], rtol=1e-15, atol=1e-300)
    assert run.left_out == ()


@given(cut=st.integers(0, 400))
@settings(max_examples=80, deadline=None)
def test_a_file_cut_at_any_byte_gives_whole_rows_only(
    tmp_path_factory: pytest.TempPathFactory, cut: int
) -> None:
    path = tmp_path_factory.mktemp("cut") / "readings.csv"
    whole = HEADER + b"".join(b"%d,%d.25,4.2\n" % (i, 23 + i) for i in range(20))
    path.write_bytes(whole[:cut])
    if whole[:cut].count(b"\n") < 2:
        complaint(path)
        return
    run = read_run(path)
    assert len(run.t_s) == whole[:cut].count(b"\n") - 1
    assert np.array_equal(run.temperature_degC[:, 0], 23.25 + np.arange(len(run.t_s)))


@given(body=st.binary(max_size=200), with_header=st.booleans())
@settings(max_examples=200, deadline=None)
def test_no_bytes_whatever_end_in_anything_but_readings_or_one_line(
    tmp_path_factory: pytest.TempPathFactory, body: bytes, with_header: bool
) -> None:
    path = tmp_path_factory.getbasetemp() / f"any-{os.getpid()}.csv"
    path.write_bytes((HEADER if with_header else b"") + body)
    outcome = attempt(path)
    if isinstance(outcome, Run):
        assert np.all(np.diff(outcome.t_s) > 0)
    else:
        assert len(outcome.splitlines()) == 1


@given(text=st.text("0123456789.,-+eE#\n\r \"'naif", max_size=120))
@settings(max_examples=300, deadline=None)
def test_almost_readings_end_in_readings_or_one_line(
    tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    path = tmp_path_factory.getbasetemp() / f"almost-{os.getpid()}.csv"
    path.write_bytes(HEADER + text.encode())
    outcome = attempt(path)
    if isinstance(outcome, Run):
        assert np.isfinite(outcome.t_s).all()
    else:
        assert len(outcome.splitlines()) == 1
