"""The identified network of one run, as a value: what was found, and how well it is known."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from fit.identification.energy_balance import CaseToAmbient
from fit.identification.model_order import Rejection
from fit.notation import with_expanded
from fit.records.run import Array, Run
from fit.signals.preparation import Signals
from fit.tabular import Tabular

if TYPE_CHECKING:
    from pandas import DataFrame


@dataclass(frozen=True, eq=False)
class Response(Tabular):
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
    curves: Callable[[], tuple[Array, Array]]  # gives fitted_K and residual_K
    signals: Signals
    settled: bool  # the record was long enough for the slowest time constant
    not_resolved: tuple[str, ...]  # what the data did not carry, one sentence each
    warnings: tuple[str, ...]
    run: Run | None = None  # the run it was identified from
    doubts: tuple[Rejection, ...] = ()  # why a time constant is not resolved
    start_K: Array | None = None  # (m,) rise above the reference before the first power step
    edge_shift_s: float = 0.0  # by how much that step came later than the record says
    air: CaseToAmbient | None = None  # by energy balance, where ambient is the reference

    def __repr__(self) -> str:
        tau = ", ".join(map(with_expanded, self.tau_s, self.tau_u_s))
        totals = map(with_expanded, self.total_K_per_W, self.total_u_K_per_W)
        total = ", ".join(f"{node} {R}" for node, R in zip(self.nodes, totals, strict=True))
        above = self.reference or "its start"
        unit = f"K/{self.power_unit}"
        return f"<Response above {above}: τ {tau} s; totals {total} {unit}, k = 2>"

    def to_frame(self) -> DataFrame:
        """A row a node: its total and its share of each time constant, per watt recorded."""
        import pandas as pd

        shares = {
            f"R_{tau:.3g}_s": self.resistance_K_per_W[:, k] for k, tau in enumerate(self.tau_s)
        }
        return pd.DataFrame(
            {
                "node": self.nodes,
                "R_total_K_per_W": self.total_K_per_W,
                "R_total_u_K_per_W": self.total_u_K_per_W,
                **shares,
            }
        )

    @property
    def total_u_K_per_W(self) -> Array:
        """Standard uncertainty of the totals (m,) [K/W]."""
        return np.sqrt(np.diag(np.sum(list(self.covariance.values()), axis=0)))

    @cached_property
    def _curves(self) -> tuple[Array, Array]:
        return self.curves()

    @property
    def fitted_K(self) -> Array:
        """Fitted rise above the reference (n, m) on the record's own samples [K].

        Worked out when first looked at: it is as large as the record.
        """
        return self._curves[0]

    @property
    def residual_K(self) -> Array:
        """Measured minus fitted (n, m), on the record's own samples [K]."""
        return self._curves[1]

    @property
    def samples(self) -> int:
        """Scans used."""
        return len(self.signals.t_s)

    @property
    def residual_rms_K(self) -> float:
        """Root mean square of the residuals of all nodes [K]."""
        return float(np.sqrt(np.nanmean(self.residual_K**2)))

    @property
    def foster_node(self) -> str:
        """The hottest node: the one whose Foster network is given."""
        return self.nodes[int(np.argmax(self.total_K_per_W))]

    @property
    def foster_R_K_per_W(self) -> Array:
        """Foster resistances of the hottest node (K,) [K/W]; negative where its sensor lags."""
        return self.resistance_K_per_W[self.nodes.index(self.foster_node)]

    @property
    def foster_R_u_K_per_W(self) -> Array:
        """Their standard uncertainties (K,) [K/W]."""
        return self.resistance_u_K_per_W[self.nodes.index(self.foster_node)]

    @property
    def foster_tau_s(self) -> Array:
        """Foster time constants (K,) [s]."""
        return self.tau_s

    @property
    def foster_tau_u_s(self) -> Array:
        """Their standard uncertainties (K,) [s]."""
        return self.tau_u_s
