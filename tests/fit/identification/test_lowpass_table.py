"""Filters interpolated between time constants against the same filters exactly."""

from __future__ import annotations

import numpy as np
import pytest

from fit.identification.lowpass import Filters
from fit.identification.lowpass_table import FilterTable
from fit.signals.cells import average, cut, knots


@pytest.mark.parametrize("kind", ["power", "reference", "initial"])
def test_interpolated_filters_are_the_exact_ones(kind: str) -> None:
    t_s = np.arange(0.0, 2000.0)
    power = np.where((t_s >= 100) & (t_s < 1500), 4.0, 0.0)
    starts = np.array([0, 100, 1500])
    cells = cut(t_s, power, starts, np.full(3, np.nan), True)
    ambient = np.sin(t_s / 300.0)[:, None]
    filters = Filters(cells, knots(cells, average(cells, ambient)[0][:, 0]))
    tau = np.array([0.7, 13.0, 240.0, 5000.0])
    exact, table = filters(tau), FilterTable(filters, 0.3, 12000.0)(tau)
    for name, within in ((kind, 3e-5), (f"d_{kind}", 6e-4)):
        largest = max(np.abs(getattr(exact, name)).max(), 1.0)
        assert getattr(table, name) == pytest.approx(getattr(exact, name), abs=within * largest)
