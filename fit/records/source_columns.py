"""Which columns of a table of readings carry power, and of which source.

One source: `power_W`, or `supply_V` with `supply_A`. Several: `power_<source>_W`, or `<source>_V`
with `<source>_A`, for each of them.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

POWER = "power_W"
SUPPLY = ("supply_V", "supply_A")
_OF_SOURCE = re.compile(r"power_(?P<source>[a-z][a-z0-9_]*)_W")


@dataclass(frozen=True)
class PowerColumns:
    """Columns that give one power: of watts, or of volts and amperes."""

    source: str  # "" where a run has one source without a name
    columns: tuple[str, ...]

    @property
    def name(self) -> str:
        """As it is called in messages."""
        return " x ".join(self.columns)

    def power(self, table: Mapping[str, Array]) -> Array:
        """The power (n,) [W] from a table of columns (n,)."""
        with np.errstate(over="ignore"):
            return np.prod([table[name] for name in self.columns], axis=0)


def power_column(source: str) -> str:
    """The column of a source's watts.

    >>> power_column("lamp"), power_column("")
    ('power_lamp_W', 'power_W')
    """
    return f"power_{source}_W" if source else "power_W"


def power_columns(names: Sequence[str]) -> tuple[PowerColumns, ...]:
    """The powers that a table of readings gives; none where it gives none.

    Args:
        names: its columns.

    Returns:
        One without a source's name, or one a source in the order of the columns. A source whose
        power is there in watts and in volts and amperes is read in watts.

    >>> [one.source for one in power_columns(["t_s", "power_lamp_W", "fan_V", "fan_A"])]
    ['lamp', 'fan']
    """
    named: dict[str, tuple[str, ...]] = {
        found["source"]: (name,)
        for name in names
        if (found := _OF_SOURCE.fullmatch(name)) is not None
    }
    if not named:
        for columns in ((POWER,), SUPPLY):
            if set(columns) <= set(names):
                return (PowerColumns("", columns),)
    for name in names:
        source = name.removesuffix("_V")
        # Beside named sources the supply's own readings are their sum.
        if name.endswith("_V") and source not in ("", "supply") and f"{source}_A" in names:
            named.setdefault(source, (name, f"{source}_A"))
    order = [source for name in names for source, columns in named.items() if name == columns[0]]
    return tuple(PowerColumns(source, named[source]) for source in order)
