"""A table of readings is the same however it is read."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fit.errors import RecordError
from fit.records import readings_table
from fit.records.readings_table import read_readings

HEADER = "t_s,tab_degC,note,power_W"
CELLS = st.sampled_from(["", "1", "-2.5", "+3.", ".5", "1e2", "1E-3", "1e999", "e5", "1.2.3", "-"])
CELLS |= st.floats(-270, 1800).map(repr)
ENDS = st.sampled_from(["\n", "\r\n", "\n\n", "\r"])
ROWS = st.lists(st.tuples(st.lists(CELLS, min_size=2, max_size=4), ENDS), min_size=1, max_size=6)


def outcome(path: Path, plain_up_to: int) -> dict[str, list[float]] | str:
    """The columns, or the complaint."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(readings_table, "PLAIN_UP_TO", plain_up_to)
        try:
            table, _ = read_readings(path)
        except RecordError as error:
            return str(error)
    return {name: column.tolist() for name, column in table.items()}


@given(ROWS)
def test_a_plain_table_is_read_as_pandas_reads_it(rows: list[tuple[list[str], str]]) -> None:
    text = HEADER + "\n"
    text += "".join(",".join([str(i), *cells]) + end for i, (cells, end) in enumerate(rows))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "readings.csv"
        path.write_bytes(text.encode())
        plain, by_pandas = outcome(path, 10**9), outcome(path, 0)
    if isinstance(plain, str) or isinstance(by_pandas, str):
        assert plain == by_pandas
        return
    for name, column in plain.items():
        np.testing.assert_allclose(column, by_pandas[name], rtol=1e-15)


def test_a_short_plain_table_needs_no_pandas(tmp_path: Path) -> None:
    (tmp_path / "readings.csv").write_text("t_s,tab_degC,power_W\n0,23,0\n1,,4\n")
    program = (
        "import sys; from fit.records.run import read_run; "
        f"read_run({str(tmp_path / 'readings.csv')!r}); print('pandas' in sys.modules)"
    )
    command = [sys.executable, "-c", program]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"
