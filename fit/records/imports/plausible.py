"""What a fit would refuse, refused at the import already, at its place in the file."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from fit.errors import RecordError
from fit.records.imports.delimited import Array, Table
from fit.records.readings_table import (
    LARGEST_POWER,
    UNDER_ZERO,
    LONGEST_s,
    POSSIBLE_degC,
    SHORTEST_SCAN_s,
)

PLAUSIBLE_degC = (-90.0, 200.0)  # of the coldest reading of a node


def check_times(table: Table, rows: NDArray[np.intp], t_s: Array) -> None:
    """Refuse times that are no seconds of a record.

    Args:
        table: as read.
        rows: kept (kept,).
        t_s: their times (kept,) [s].

    Raises:
        RecordError: a record of decades, or scans within microseconds.
    """
    if t_s[-1] > LONGEST_s:
        raise RecordError(
            table.path,
            table.place(int(rows[-1]), 0),
            f"{t_s[-1]:.6g} s after the first reading",
            f"a record has at most {LONGEST_s:g} s: state --time-unit",
        )
    if len(t_s) > 1 and float(np.median(np.diff(t_s))) < SHORTEST_SCAN_s:
        raise RecordError(
            table.path,
            table.titles[0],
            f"goes over {t_s[-1]:.6g} s in {len(t_s)} rows",
            "state --time-unit",
        )


def check_power(table: Table, rows: NDArray[np.intp], columns: Mapping[int, Array]) -> None:
    """Refuse a power that is negative, but for what a supply's reading strays, or too large.

    Args:
        table: as read.
        rows: kept (kept,).
        columns: place in the table -> readings (kept,); of two, volts and amperes.

    Raises:
        RecordError: at the line of the worst reading.
    """
    power = np.prod(np.array([*columns.values()]), axis=0)
    if np.isnan(power).all():
        return
    lowest, highest = int(np.nanargmin(power)), int(np.nanargmax(power))
    too_low = power[lowest] < -UNDER_ZERO * max(power[highest], 0.0)
    if not too_low and power[highest] <= LARGEST_POWER:
        return
    worst = lowest if too_low else highest
    raise RecordError(
        table.path,
        table.place(int(rows[worst]), next(iter(columns))),
        f"a power of {power[worst]:.6g}",
        "heat put in counts as positive: change the sign"
        if too_low
        else f"at most {LARGEST_POWER:g}",
    )


def check_temperatures(
    table: Table, rows: NDArray[np.intp], place: int, temperature_degC: Array
) -> None:
    """Refuse a temperature that no thermocouple has.

    Args:
        table: as read.
        rows: kept (kept,).
        place: of the column in the table.
        temperature_degC: its readings (kept,) [degC].

    Raises:
        RecordError: at the line of the first.
    """
    beyond = temperature_degC > POSSIBLE_degC[1]
    if beyond.any():
        row = int(rows[int(np.argmax(beyond))])
        cell = table.cell(row, place)
        raise RecordError(
            table.path,
            table.place(row, place),
            f"{cell} is hotter than any thermocouple reads",
            f"state --temperature-unit, or --missing {cell} if it stands for no reading",
        )


def doubt(node: str, temperature_degC: Array, unit: str) -> list[str]:
    """A question, where a bench was hardly ever so cold or so hot at its coldest.

    Args:
        node: whose readings they are.
        temperature_degC: its readings (kept,) [degC].
        unit: that they were taken in.

    Returns:
        One sentence, or none.
    """
    coldest = float(np.nanmin(temperature_degC))
    if PLAUSIBLE_degC[0] <= coldest <= PLAUSIBLE_degC[1]:
        return []
    return [f"{node}: never below {coldest:.4g} degC: is --temperature-unit {unit} right?"]
