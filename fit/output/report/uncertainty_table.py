"""Where each span's uncertainty comes from, as a table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fit.measurement.resolution import NOT_RESOLVED
from fit.notation import COVERAGE_FACTOR, UNKNOWN, fixed, span_name
from fit.output.figures.uncertainty import contributions, in_words

if TYPE_CHECKING:
    from fit.measurement.spans import Spans

LEAST = 0.05  # per cent: less is "0.0" at the one place that tells the sources apart


@dataclass(frozen=True)
class SourceCell:
    """One source's part in one span."""

    source: str
    percent: str
    largest: bool


@dataclass(frozen=True)
class UncertaintyRow:
    """One span: all together, and each source; relative, k = 2."""

    name: str
    percent: str
    cells: tuple[SourceCell, ...]


def uncertainty_table(
    spans: Spans | None, share_u: float, names: Mapping[tuple[str, str], str]
) -> list[UncertaintyRow]:
    """A row for each span, a cell for each source that any span has.

    Args:
        spans: as measured; None where nothing was.
        share_u: relative standard uncertainty of the power's share on this path.
        names: of the spans by their ends; those not in it are named by their ends.

    Returns:
        The rows.
    """
    if spans is None:
        return []
    parts = contributions(spans, share_u)
    percent = {name: 100 * COVERAGE_FACTOR * part for name, part in parts.items()}
    sources = [name for name, part in percent.items() if np.nanmax(part, initial=0.0) >= LEAST]
    if not sources:
        return []
    each = np.array([percent[name] for name in sources])
    rows = []
    for i, (link, resolved) in enumerate(zip(spans.topology.links, spans.resolved, strict=True)):
        name = names.get(link) or span_name((), *link)
        if not resolved:
            nothing = tuple(SourceCell(in_words(one), UNKNOWN, False) for one in sources)
            rows.append(UncertaintyRow(name, NOT_RESOLVED, nothing))
            continue
        cells = tuple(
            SourceCell(in_words(one), fixed(float(value), 1), k == int(np.argmax(each[:, i])))
            for k, (one, value) in enumerate(zip(sources, each[:, i], strict=True))
        )
        together = float(np.sqrt(sum(part[i] ** 2 for part in percent.values())))
        rows.append(UncertaintyRow(name, fixed(together, 1), cells))
    return rows
