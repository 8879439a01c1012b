"""Lower bounds from the record itself: no span is smaller than the drop over it per watt.

Heating from rest, no more than the whole power flows through any part of the path, so that at
every moment R >= (T_j - T_j+1) / P_max. The bound needs no model, and a fitted span that falls
short of it is wrong, however small its stated uncertainty.
"""

from __future__ import annotations

import numpy as np

from fit.network.topology import chain
from fit.records.run import Array
from fit.signals.preparation import Signals
from fit.signals.scatter import column_means

LAST_SCANS = 5  # averaged: noise is halved, and the slope beside them allows for their age
END_SHARE = 0.02  # of the scans while heating, that make its end
COVER = 4.0  # standard uncertainties by which a span must fall short
LAG_S = 3.0  # largest lag of a thermocouple bead (common practice)


def least_K_per_W(signals: Signals, nodes: tuple[str, ...]) -> Array:
    """Lower bound of every span between neighbouring nodes (s,) [K/W].

    Args:
        signals: offset-corrected record.
        nodes: measured nodes in order of the path.

    Returns:
        Lower bounds with noise, offsets and lag allowed for; 0 where nothing is shown, also where
        the record begins warm, for heat stored before the record may flow then.
    """
    heating = np.flatnonzero(signals.power > 0)
    if signals.hot_start or len(heating) < 2 * LAST_SCANS:
        return np.zeros(len(nodes) - 1)
    columns = [signals.nodes.index(node) for node in nodes]
    last = heating[-LAST_SCANS:]
    before = heating[-2 * LAST_SCANS : -LAST_SCANS]
    end = column_means(signals.temperature_degC[last][:, columns])
    earlier = column_means(signals.temperature_degC[before][:, columns])
    passed_s = float(signals.t_s[last].mean() - signals.t_s[before].mean())
    slope = np.abs(end - earlier) / max(passed_s, 1e-9)
    noise = np.zeros(len(nodes)) if signals.noise_K is None else signals.noise_K[columns]
    quantum = np.zeros(len(nodes)) if signals.quantum_K is None else signals.quantum_K[columns]
    offset = np.nan_to_num(signals.zero_power_offset_u_K[columns], nan=np.inf)
    u = np.sqrt(noise**2 / LAST_SCANS + quantum**2 / 12 + offset**2)
    above, below = chain(nodes).ends.T
    doubt = COVER * np.hypot(u[above], u[below]) + LAG_S * np.maximum(slope[above], slope[below])
    shown = (end[above] - end[below] - doubt) / signals.power.max()
    return np.maximum(np.nan_to_num(shown, nan=0.0, neginf=0.0), 0.0)


def end_degC(signals: Signals, nodes: tuple[str, ...]) -> Array:
    """Temperature that each node had reached when heating ended.

    Args:
        signals: offset-corrected record.
        nodes: measured nodes (s,).

    Returns:
        Means of the last scans with power (s,) [degC]; NaN where a node was not read.
    """
    heating = np.flatnonzero(signals.power > 0)
    last = heating[-max(LAST_SCANS, int(END_SHARE * len(heating))) :]
    return column_means(
        signals.temperature_degC[last][:, [signals.nodes.index(node) for node in nodes]]
    )
