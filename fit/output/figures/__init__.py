"""Figures of a heat run, one idea a file, all in the look of `fit.output.theme`.

path.py          the heat path: temperature at every node, K/W on every span
tree.py          the same where branches of several sources meet
compared.py      measured against predicted, span by span
comparison.py    several runs: every span in each of them, with its trend
curves.py        measured curves with the fit, and residuals, in log time
fitted.py        the fit over the whole record, in plain time
spectrum.py      time-constant spectrum, and capacity over resistance along the path
record.py        the whole record as it was logged
learned.py       what runs have taught: every input before and after
planned.py       a run that is planned: uncertainty against time, worth of thermocouples
population.py    many units: every span in each of them, the next unit, the limit
target.py        what each free input of a budget would bring
uncertainty.py   where each span's uncertainty comes from

Each returns a matplotlib `Figure`; those of one axes draw in the caller's with `ax=`. What a run
does not carry raises `NotIdentifiable`, which names what is missing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import TYPE_CHECKING

from fit.errors import NotIdentifiable
from fit.output.figures.compared import compared_figure
from fit.output.figures.comparison import comparison_figure
from fit.output.figures.curves import curves_figure
from fit.output.figures.fitted import fitted_figure
from fit.output.figures.path import path_figure
from fit.output.figures.record import record_figure
from fit.output.figures.spectrum import spectrum_figure
from fit.output.figures.tree import tree_figure
from fit.output.figures.uncertainty import uncertainty_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = [
    "compared_figure",
    "comparison_figure",
    "curves_figure",
    "draw_each",
    "fitted_figure",
    "path_figure",
    "record_figure",
    "spectrum_figure",
    "tree_figure",
    "uncertainty_figure",
]


def draw_each(wanted: Mapping[str, Callable[[], Figure]]) -> dict[str, Figure]:
    """Draw every figure that the run carries, and leave out the others.

    Args:
        wanted: what draws each figure, by name.

    Returns:
        The figures drawn, by name.
    """
    drawn = {}
    for name, draw in wanted.items():
        with suppress(NotIdentifiable):
            drawn[name] = draw()
    return drawn
