"""A fit on the record's own samples, which are many more than its cells."""

from __future__ import annotations

from typing import Any

import numpy as np

from fit.identification.model_order import Fitted
from fit.identification.pole_model import CellRecord
from fit.records.run import Array
from fit.signals.preparation import Signals

CHUNK = 16_384  # samples evaluated at a time: bounds the memory beside the record


def evaluate(signals: Signals, record: CellRecord, fitted: Fitted) -> tuple[Array, Array]:
    """Fitted rise and residual on the record's own samples, (n, m) each [K].

    In a cell every node's rise is a constant and K decaying exponentials: one small product each.
    """
    cells, tau = record.cells, fitted.tau_s
    table = _cell_coefficients(record, fitted)
    n, m = len(signals.t_s), len(record.nodes)
    fitted_K, residual_K = np.empty((n, m)), np.empty((n, m))
    columns: Any = [signals.nodes.index(node) for node in record.nodes]
    if columns == list(range(columns[0], columns[0] + m)):
        columns = slice(columns[0], columns[0] + m)
    r = signals.nodes.index(record.reference) if record.reference else None
    sampled = np.flatnonzero(cells.samples > 0)
    first, last = cells.first[sampled], cells.first[sampled] + cells.samples[sampled]
    begin = 0
    while begin < len(sampled):
        end = max(begin + 1, int(np.searchsorted(last, first[begin] + CHUNK, side="right")))
        part = slice(int(first[begin]), int(last[end - 1]))
        start = np.repeat(cells.start_s[sampled[begin:end]], cells.samples[sampled[begin:end]])
        decay = np.ones((fitted.order + 1, part.stop - part.start))
        np.multiply(-1 / tau[:, None], signals.t_s[part] - start, out=decay[1:])
        np.exp(decay[1:], out=decay[1:])
        for i in range(begin, end):
            rows = decay[:, first[i] - part.start : last[i] - part.start]
            np.matmul(rows.T, table[sampled[i]], out=fitted_K[first[i] : last[i]])
        np.subtract(signals.temperature_degC[part, columns], fitted_K[part], out=residual_K[part])
        if r is not None:
            residual_K[part] -= signals.temperature_degC[part, r, None]
        begin = end
    return fitted_K, residual_K


def _cell_coefficients(record: CellRecord, fitted: Fitted) -> Array:
    """Constant and coefficient of exp(-(t - start) / tau_k) of each cell and node (c, 1 + K, m)."""
    model, solution = fitted.model, fitted.solution
    cells, filters, tau = record.cells, record.filters, fitted.tau_s
    z, w = filters.states(tau)
    c, K = solution.coefficient, fitted.order
    table = np.zeros((len(cells.samples), 1 + K, c.shape[1]))
    table[:, 0] = c[0]
    if model.powered:
        shift = solution.theta[K] if record.edge_free else 0.0
        p, a = cells.power[:, None], c[model.a]
        table[:, 0] += p * a.sum(axis=0)
        table[:, 1:] -= (np.exp(shift / tau) * (p - z))[:, :, None] * a
    if model.has_reference:
        slope, b = filters.slope[:, None], c[model.b]
        table[:, 0] -= slope * (tau @ b)
        table[:, 1:] += (w - filters.level[:, None] + slope * tau)[:, :, None] * b
    if record.hot_start:
        age = (cells.start_s - cells.start_s[0])[:, None]
        table[:, 1:] += np.exp(-age / tau)[:, :, None] * c[model.e]
    return table
