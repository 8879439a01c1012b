"""Whether units change with their date, their lot, or whatever was set for each."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from scipy.stats import f_oneway, linregress

from fit.network.topology import Array

DATE = "date"
DAY_S = 86400.0  # of a day
FEWEST = 4  # units: with three a line leaves one degree of freedom, and finds next to nothing
SEEN_AT = 0.05
"""Chance to find a drift in any of the spans where there is none: each has its share of it."""


@dataclass(frozen=True)
class Lot:
    """The units that have one label."""

    name: str
    units: int
    mean_K_per_W: float


@dataclass(frozen=True)
class Drift:
    """One span against a date or a label."""

    against: str
    p: float  # chance of as much where nothing drifts
    seen: bool
    slope_K_per_W: float | None = None  # a day, or per unit of the label; None of lots
    slope_u_K_per_W: float | None = None
    lots: tuple[Lot, ...] = ()  # of words, or of numbers that many units share


def days(started: Sequence[str]) -> list[float | str]:
    """Dates as days since the first; empty text where one is not known.

    Args:
        started: ISO 8601, or empty.

    Returns:
        One value for each.

    >>> days(["2026-03-01T08:00:00Z", "", "2026-03-02T20:00:00Z"])
    [0.0, '', 1.5]
    """
    stamps = [_stamp(text) for text in started]
    first = min((stamp for stamp in stamps if stamp is not None), default=0.0)
    return ["" if stamp is None else (stamp - first) / DAY_S for stamp in stamps]


def _stamp(text: str) -> float | None:
    try:
        return datetime.fromisoformat(text).timestamp()
    except ValueError:
        return None


def find_drift(against: str, labels: Sequence[float | str], y: Array, spans: int) -> Drift | None:
    """Test one span: a straight line against numbers that differ, else lots against each other.

    Numbers of which most differ are a scale (least squares, t test of the slope); words, and
    numbers that units share, are lots (one-way analysis of variance, F test).

    Args:
        against: name of the label.
        labels: of each unit, empty text where it has none.
        y: the span in each unit (n,) [K/W].
        spans: how many are tested beside each other (Bonferroni).

    Returns:
        What was found; None where too few units have the label, or all have the same.
    """
    known = [i for i, label in enumerate(labels) if label != ""]
    names = [labels[i] for i in known]
    different = len(set(names))
    if len(known) < FEWEST or different < 2:
        return None
    values = y[known]
    if not np.ptp(values) > 0:
        return None
    if all(isinstance(name, float) for name in names) and 2 * different > len(known):
        line = linregress(np.array(names, float), values)
        p = float(line.pvalue)
        return Drift(against, p, p < SEEN_AT / spans, float(line.slope), float(line.stderr))
    return _between_lots(against, names, values, spans)


def _between_lots(
    against: str, names: Sequence[float | str], values: Array, spans: int
) -> Drift | None:
    lots = {
        name: values[[i for i, other in enumerate(names) if other == name]]
        for name in sorted(set(names), key=lambda name: (isinstance(name, str), name))
    }
    if len(lots) == len(values):
        return None  # each unit a lot of its own: nothing to compare the lots by
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of units that are all alike within their lots: p is 0
        p = float(f_oneway(*lots.values()).pvalue)
    return Drift(
        against,
        p,
        p < SEEN_AT / spans,
        lots=tuple(
            Lot(f"{name:g}" if isinstance(name, float) else name, len(one), float(one.mean()))
            for name, one in lots.items()
        ),
    )
