"""vf_windows.csv: what is written is read back, and what cannot be is refused by line."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fit.errors import RecordError
from fit.records.vf_windows import VfWriter, read_vf_windows

VOLTS = st.floats(-5.0, 5.0, allow_nan=False)
WINDOW = st.lists(VOLTS, min_size=1, max_size=5)
HEADER = "t_s,off_s,junction_V\n"


def written(folder: Path, text: str) -> Path:
    path = folder / "vf_windows.csv"
    path.write_text(text, encoding="utf-8")
    return path


@given(st.lists(WINDOW, min_size=1, max_size=5))
def test_windows_are_read_as_they_were_written(windows: list[list[float]]) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with VfWriter(folder, "junction") as writer:
            for number, volts in enumerate(windows):
                writer.append(5.0 * number, [1e-4 * (i + 1) for i in range(len(volts))], volts)
        found = read_vf_windows(folder / "vf_windows.csv")
    assert found is not None
    assert found.node == "junction"
    assert [V.tolist() for _, V in found] == windows
    assert found.opened_s.tolist() == [5.0 * i for i in range(len(windows))]


def test_a_run_that_is_gone_on_with_keeps_its_windows(tmp_path: Path) -> None:
    with VfWriter(tmp_path, "junction") as writer:
        writer.append(1.0, [1e-4], [0.6])
    with (tmp_path / "vf_windows.csv").open("a", encoding="utf-8") as stream:
        stream.write("6.0,0.00")  # the program died here
    with VfWriter(tmp_path, "junction") as writer:
        writer.append(11.0, [1e-4], [0.5])
    found = read_vf_windows(tmp_path / "vf_windows.csv")
    assert found is not None
    assert found.opened_s.tolist() == [1.0, 11.0]


def test_a_torn_last_line_is_left_out_and_said(tmp_path: Path) -> None:
    found = read_vf_windows(written(tmp_path, HEADER + "1,0.0001,0.6\n1,0.0002,0."))
    assert found is not None
    assert found.volts.tolist() == [0.6]
    assert "torn" in found.left_out[0]


def test_a_row_without_a_voltage_is_left_out_and_said(tmp_path: Path) -> None:
    found = read_vf_windows(written(tmp_path, HEADER + "1,0.0001,\n1,0.0002,0.6\n"))
    assert found is not None
    assert found.off_s.tolist() == [0.0002]
    assert "1 row without a voltage" in found.left_out[0]


def test_a_run_without_windows_has_none(tmp_path: Path) -> None:
    assert read_vf_windows(tmp_path / "vf_windows.csv") is None
    assert read_vf_windows(written(tmp_path, HEADER)) is None


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("t_s,junction_V\n1,0.6\n", "line 1"),
        ("t_s,off_s,junction\n", "line 1"),
        (HEADER + "1,0.1,volts\n", "line 2"),
        (HEADER + "1,0.1\n", "line 2"),
        (HEADER + "1,0.1,nan\n", "line 2"),
        (HEADER + "1,0.1,0.6\n0,0.1,0.6\n", "line 3, column t_s"),
        (HEADER + "1,0.2,0.6\n1,0.1,0.6\n", "line 3, column off_s"),
        (HEADER + "1,-0.2,0.6\n", "line 2, column off_s"),
        (HEADER + "1,0.1,\n1,0.2,600\n", "line 3, column the voltage"),
    ],
)
def test_what_is_no_window_is_refused_with_its_place(tmp_path: Path, text: str, place: str) -> None:
    with pytest.raises(RecordError) as refused:
        read_vf_windows(written(tmp_path, text))
    assert refused.value.place == place
