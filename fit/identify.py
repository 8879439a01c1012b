"""Shared time constants and per-node resistances from one run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from fit.record import Array, Run
from fit.signals import Signals


@dataclass(frozen=True)
class Response:
    """The identified network: time constants shared by all nodes, resistances per node.

    K = number of time constants, m = number of nodes (the reference excluded), hottest node first
    on the heat path. `resistance[j, k]` is a_jk; its row sum is the node's total resistance to the
    reference. `covariance` holds every named contribution to the covariance of the totals
    ("fit", "offset", "sensor_match", "power"), each (m, m); their sum is the covariance.
    """

    reference: str
    nodes: tuple[str, ...]
    power: float  # mean power while heating [power_unit]
    power_unit: str
    tau_s: Array  # (K,) [s], ascending
    tau_u_s: Array  # (K,) [s]
    resistance_K_per_W: Array  # (m, K)
    resistance_u_K_per_W: Array  # (m, K)
    total_K_per_W: Array  # (m,)
    covariance: Mapping[str, Array]  # name -> (m, m) [(K/W)^2]
    residual_K: Array  # (n, m) measured minus fitted, on the record's own samples
    fitted_K: Array  # (n, m) fitted rise above the reference, on the record's own samples
    signals: Signals
    settled: bool  # the record was long enough for the slowest time constant
    not_resolved: tuple[str, ...]  # what the data did not carry, one sentence each
    warnings: tuple[str, ...]


def identify(run: Run, reference: str | None = None, max_order: int = 6) -> Response:
    """Fit shared time constants and per-node resistances, order chosen by the data."""
    raise NotImplementedError
