"""Span resistances between neighbouring measured nodes, with their covariance by source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fit.record import Array, Run


@dataclass(frozen=True)
class Spans:
    """Resistances between neighbouring measured nodes, per watt of the *recorded* power.

    The path share is not applied here: it belongs to the budget. `covariance` holds the named
    contributions ("fit", "offset", "sensor_match", "power"), each (s, s).
    """

    nodes: tuple[str, ...]  # s + 1 measured nodes in order of the heat path, ambient last
    R_K_per_W: Array  # (s,), span i lies between nodes[i] and nodes[i + 1]
    covariance: Mapping[str, Array]  # name -> (s, s) [(K/W)^2]
    power_W: float  # recorded power while heating [W]
    final_degC: Array  # (s + 1,) temperatures at the settled end (extrapolated where not settled) [degC]
    settled: bool
    warnings: tuple[str, ...]

    @property
    def total_covariance(self) -> Array:
        """Sum of all contributions (s, s) [(K/W)^2]."""
        return np.sum(list(self.covariance.values()), axis=0)


def measure(run: Run) -> Spans:
    """Measure every span of a run: the inner ones against the case, the last against ambient."""
    raise NotImplementedError
