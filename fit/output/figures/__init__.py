"""Figures of a heat run, one idea a file, all in the look of `fit.output.theme`.

path.py          the heat path: temperature at every node, K/W on every span
compared.py      measured against predicted, span by span
curves.py        measured curves with the fit, and residuals, in log time
fitted.py        the fit over the whole record, in plain time
spectrum.py      time-constant spectrum, and capacity over resistance along the path
record.py        the whole record as it was logged
uncertainty.py   where each span's uncertainty comes from
"""

from fit.output.figures.compared import compared_figure
from fit.output.figures.curves import curves_figure
from fit.output.figures.path import path_figure
from fit.output.figures.record import record_figure
from fit.output.figures.spectrum import spectrum_figure
from fit.output.figures.uncertainty import uncertainty_figure

__all__ = [
    "compared_figure",
    "curves_figure",
    "path_figure",
    "record_figure",
    "spectrum_figure",
    "uncertainty_figure",
]
