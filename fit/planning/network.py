"""The budget's network as the fit will see it, and the record it would leave, without noise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from fit.budget.dynamics import node_capacity
from fit.budget.model import Array, Prediction
from fit.errors import BudgetError
from fit.identification.ladder.settings import SETTINGS
from fit.network.modes import Modes, modes
from fit.network.topology import chain
from fit.planning.bench import Bench
from fit.signals.preparation import Signals

MOST_ROWS = 40_000  # of a simulated record: more scans are counted, not simulated. Ours


@dataclass(frozen=True, eq=False)
class Lumped:
    """A chain of lumps at measured nodes, a hidden one before them where the source is.

    Resistances and capacities are per watt of the recorded power, as a run has them.
    """

    nodes: tuple[str, ...]  # (n + 1,) heat source first, the last one held at its temperature
    measured: tuple[str, ...]  # those with a sensor
    R_K_per_W: Array  # (n,)
    C_J_per_K: Array  # (n,) all above zero

    @cached_property
    def modes(self) -> Modes:
        """Poles and residues."""
        return modes(chain(self.nodes), self.R_K_per_W, self.C_J_per_K)

    @property
    def hidden(self) -> int:
        """Lumps above the first measured node: 0 or 1."""
        return self.nodes.index(self.measured[0])

    def with_larger(self, span: int, factor: float) -> Lumped:
        """The same with one of the spans between its measured nodes so many times as large."""
        R = self.R_K_per_W.copy()
        R[self.hidden + span] *= factor
        return replace(self, R_K_per_W=R)

    def rise_K_per_W(self, t_s: Array) -> Array:
        """Rise of every measured node by a watt since t = 0 (times, measured) [K/W]."""
        a = self.modes.amplitude_K_per_W[:, 0]
        shown = -np.expm1(-np.maximum(t_s, 0.0)[:, None] / self.modes.tau_s)
        rise = np.column_stack([shown @ a.T, np.zeros(len(t_s))])
        return rise[:, [self.nodes.index(node) for node in self.measured]]


def stated_capacity(prediction: Prediction) -> Array:
    """Heat capacity of every node of a budget (n,) [J/K], 0 where none is stated.

    Args:
        prediction: of the budget.

    Raises:
        BudgetError: the budget states no heat capacity at all.
    """
    budget = prediction.budget
    C = node_capacity(budget, prediction.C_J_per_K)
    if not C.any():
        raise BudgetError(
            budget.path,
            "stage",
            "no stage states its C_J_per_K",
            "without heat capacities nothing says how fast a run goes",
        )
    return C


def lumped_network(
    prediction: Prediction, measured: Sequence[str], share: float
) -> tuple[Lumped, tuple[str, ...]]:
    """A budget's chain, lumped to the measured nodes.

    What an unmeasured node stores goes to its neighbours, in proportion to how near they are: the
    first moment of their rise stays as it is.

    Args:
        prediction: of the budget, a chain.
        measured: nodes with a sensor, in order of the path.
        share: of the recorded power that takes the path.

    Returns:
        The network, and the nodes whose capacity nobody states.

    Raises:
        BudgetError: the budget states no heat capacity at all.
    """
    budget = prediction.budget
    joined = budget.joined
    R = budget.joined_resistance(prediction.R_K_per_W)
    C = stated_capacity(prediction)
    path = budget.nodes
    above = dict(zip(path, [*np.cumsum(R[::-1])[::-1].tolist(), 0.0], strict=True))
    source = (path[0],) if path[0] not in measured and C[joined.index(path[0])] > 0 else ()
    kept = (*source, *measured)
    if kept[-1] != budget.ambient:
        kept = (*kept, budget.ambient)
    levels = np.array([above[node] for node in kept])
    stored = np.zeros(len(kept))
    for node, one in zip(path[:-1], C, strict=True):
        weights = np.array(
            [np.interp(above[node], levels[::-1], row) for row in np.eye(len(kept))[:, ::-1]]
        )
        stored += one * weights
    stored = stored[:-1]
    least = SETTINGS.least_capacity * stored.max()
    unknown = tuple(node for node, one in zip(kept, stored, strict=False) if one < 1e-9)
    return (
        Lumped(
            nodes=kept,
            measured=tuple(measured),
            R_K_per_W=-np.diff(levels) * share,
            C_J_per_K=np.where(stored < 1e-9, least, stored) / share,
        ),
        unknown,
    )


def simulated(
    network: Lumped, bench: Bench, power_W: float, heat_s: float
) -> tuple[Signals, float]:
    """The record of a power step, without noise; the reference at the budget's zero.

    Args:
        network: whose record it is.
        bench: that takes it.
        power_W: while heating [W].
        heat_s: of heating [s].

    Returns:
        The signals, and how many scans each row stands for.
    """
    interval_s, soak_s, noise_K = bench.interval_s, bench.soak_s, bench.reading_u_K
    scans = max(1.0, (soak_s + heat_s) / interval_s / MOST_ROWS)
    step_s = scans * interval_s
    soak = int(np.ceil(soak_s / step_s - 1e-9)) if soak_s else 0
    count = soak + int(np.ceil(heat_s / step_s - 1e-9)) + 1
    t_s = np.asarray(step_s * np.arange(count), dtype=np.float64)
    power = np.where(np.arange(len(t_s)) >= soak, power_W, 0.0)
    edge_s = soak * step_s
    nodes = network.measured
    offset_u = noise_K / np.sqrt(soak * scans) if soak else np.nan
    signals = Signals(
        t_s=t_s,
        nodes=nodes,
        temperature_degC=power_W * network.rise_K_per_W(t_s - edge_s),
        power=power,
        power_unit="W",
        zero_power_offset_K=np.zeros(len(nodes)),
        zero_power_offset_u_K=np.full(len(nodes), offset_u),
        power_edges_s=(edge_s,) if soak else (),
        left_out=(),
        warnings=(),
        phase_starts=(0, soak) if soak else (0,),
        edge_known=(True, True) if soak else (True,),
        soak_samples=soak,
        noise_K=np.full(len(nodes), noise_K),
    )
    return signals, scans
