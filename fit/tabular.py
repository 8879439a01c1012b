"""Results that are tables: short in a console, a table in a notebook, a frame on demand."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pandas import DataFrame

MOST_ROWS = 60  # of a table in a notebook


class Tabular:
    """What has `to_frame()` shows itself as a table in a notebook."""

    def to_frame(self) -> DataFrame:
        """The result as a table, units in the names of its columns."""
        raise NotImplementedError

    def _repr_html_(self) -> str:
        table = self.to_frame().to_html(max_rows=MOST_ROWS, float_format="{:.4g}".format)
        return f"<p>{escape(repr(self).strip('<>'))}</p>{table}"
