"""A table for other programs, as a new Parquet file: nothing is written over."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from fit.errors import HeatrunError
from fit.records.csv_export import refuse_existing
from fit.records.results import put_whole

ENDING = ".parquet"


def require_parquet(file: Path) -> None:
    """Raise where a Parquet file cannot be written, before there is something to write.

    Args:
        file: to be made.

    Raises:
        RecordError: it exists, or has no folder to be in.
        HeatrunError: pyarrow is not installed.
    """
    refuse_existing(file)
    try:
        import pyarrow.parquet  # noqa: F401
    except ImportError:
        raise HeatrunError(
            f"{file}: Parquet needs pyarrow; install heatrun[fleet], or name a .csv file"
        ) from None


def write_parquet(
    file: Path,
    columns: Sequence[str],
    rows: Sequence[Mapping[str, object]],
    *,
    numbers: Sequence[str] = (),
    truths: Sequence[str] = (),
) -> None:
    """Write rows whole, one type a column; what a row does not have is null.

    Args:
        file: to be made.
        columns: their names.
        rows: cells by column.
        numbers: columns of numbers.
        truths: columns of true and false; all others are text.

    Raises:
        RecordError: the file exists or cannot be written.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    refuse_existing(file)

    def column(name: str) -> pa.Array:
        cells = [row.get(name) for row in rows]
        if name in numbers:
            return pa.array(cells, pa.float64())
        if name in truths:
            return pa.array(cells, pa.bool_())
        return pa.array(map(_text, cells), pa.string())

    sink = pa.BufferOutputStream()
    pq.write_table(pa.table({name: column(name) for name in columns}), sink)
    put_whole(file, sink.getvalue().to_pybytes())


def _text(cell: object) -> str | None:
    return None if cell is None else str(cell).encode(errors="replace").decode()
