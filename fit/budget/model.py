"""What a budget is, and what it predicts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fit.budget.uncertain import Uncertain
from fit.network.topology import Topology
from fit.notation import digits, fixed, with_expanded
from fit.tabular import Tabular

if TYPE_CHECKING:
    from pandas import DataFrame

    from fit.budget.learned import Learned
    from fit.budget.stages.base import StageKeys

Array = NDArray[np.float64]
AMBIENT = "ambient"
CASE = "case"


@dataclass(frozen=True)
class Conditions:
    power_W: float
    ambient_degC: float
    ambient_max_degC: float | None = None
    path_fraction: float = 1.0
    path_fraction_u: float = 0.0
    power_W_u: float = 0.0
    ambient_degC_u: float = 0.0
    ambient_max_degC_u: float = 0.0


@dataclass(frozen=True)
class Limits:
    junction_degC: float | None = None
    case_touch_degC: float | None = None


@dataclass(frozen=True)
class Stage:
    """One stage of the heat path as stated; `parameters` are its kind's own keys, checked.

    `keys` is the same as the kind's model, which knows the formula, and `uncertain` holds every
    number that can be drawn. Both are absent from a stage made by hand.
    """

    name: str
    from_node: str
    to_node: str
    kind: str
    parameters: Mapping[str, object] = field(default_factory=dict)
    contact: bool = False
    limit_K_per_W: float | None = None
    C_J_per_K: float | None = None
    C_u_J_per_K: float | None = None  # standard uncertainty, None where none is stated
    keys: StageKeys | None = None
    uncertain: Mapping[str, Uncertain] = field(default_factory=dict)


@dataclass(frozen=True)
class Leak:
    """A side way for heat: from a node to ambient, or to any other node beside the path."""

    node: str
    R_K_per_W: float
    R_u_K_per_W: float = 0.0
    to_node: str = AMBIENT


@dataclass(frozen=True)
class Source:
    """A part that makes heat, and the node where it enters."""

    name: str  # "" where a budget has one source without a name
    node: str
    power_W: float  # electrical
    path_fraction: float = 1.0
    path_fraction_u: float = 0.0
    limit_degC: float | None = None  # of its node


@dataclass(frozen=True, eq=False)
class Budget(Tabular):
    """A budget as read. Compared by identity, so that what is drawn from it can be kept."""

    title: str
    path: Path
    conditions: Conditions
    limits: Limits
    stages: tuple[Stage, ...]  # in order, heat source first, ambient last
    leaks: tuple[Leak, ...] = ()
    named_sources: tuple[Source, ...] = ()  # none where the first node has one without a name
    learned: Learned | None = None  # how the inputs that runs have taught hang together

    def __repr__(self) -> str:
        return f"<Budget {self.title or self.path.name!r}: {' - '.join(self.nodes)}>"

    def to_frame(self) -> DataFrame:
        """A row a stage, as stated."""
        import pandas as pd

        rows = [
            {
                "name": stage.name,
                "from": stage.from_node,
                "to": stage.to_node,
                "kind": stage.kind,
                "contact": stage.contact,
                "limit_K_per_W": stage.limit_K_per_W,
                "C_J_per_K": stage.C_J_per_K,
            }
            for stage in self.stages
        ]
        return pd.DataFrame(rows)

    @property
    def sources(self) -> tuple[Source, ...]:
        """Where heat enters, and how much: as stated, else the design power at the first node."""
        if self.named_sources:
            return self.named_sources
        own = self.conditions
        first = self.stages[0].from_node
        return (Source("", first, own.power_W, own.path_fraction, own.path_fraction_u),)

    @property
    def path_fraction(self) -> Array:
        """Share of each source's electrical power that takes the path (sources,)."""
        return np.array([source.path_fraction for source in self.sources])

    @cached_property
    def tree(self) -> Topology:
        """The heat path: a link for each stage, in their order, and no leaks."""
        starts = tuple(dict.fromkeys(stage.from_node for stage in self.stages))
        ends = dict.fromkeys(stage.to_node for stage in self.stages)
        (ambient,) = (node for node in ends if node not in starts)
        links = tuple((stage.from_node, stage.to_node) for stage in self.stages)
        return Topology(starts, links, ambient, tuple(source.node for source in self.sources))

    @cached_property
    def joined(self) -> Topology:
        """The same with one link in place of stages that stand in parallel."""
        tree = self.tree
        return Topology(tree.nodes, tuple(dict.fromkeys(tree.links)), tree.reference, tree.sources)

    @cached_property
    def in_parallel(self) -> Array:
        """1 where a stage is part of a link of `joined` (joined links, stages)."""
        return (
            np.array([[own == link for own in self.tree.links] for link in self.joined.links]) * 1.0
        )

    def joined_resistance(self, R_K_per_W: Array) -> Array:
        """Resistance of every link of `joined`; of a single stage that stage's to the last digit.

        Args:
            R_K_per_W: of the stages (stages,) [K/W].

        Returns:
            Of the links (joined links,) [K/W].
        """
        together = 1 / (self.in_parallel @ (1 / R_K_per_W))
        return np.where(self.in_parallel.sum(axis=1) > 1, together, self.in_parallel @ R_K_per_W)

    def joined_slope(self, R_K_per_W: Array) -> Array:
        """Change of every joined link's resistance by each stage's, dR/dR_i = (R/R_i)^2.

        Args:
            R_K_per_W: of the stages (stages,) [K/W].

        Returns:
            Slopes (joined links, stages).
        """
        ratio = self.joined_resistance(R_K_per_W)[:, np.newaxis] / R_K_per_W
        return np.where(self.in_parallel > 0, ratio**2, 0.0)

    @property
    def is_chain(self) -> bool:
        """Whether all heat enters at one node and takes one way out, branches and all."""
        return len(self.sources) == 1 and self.joined.path(self.tree.nodes[0]) == self.nodes

    @cached_property
    def topology(self) -> Topology:
        """The whole network: the links of the path, then those of the leaks."""
        return self.tree.with_links([(leak.node, leak.to_node) for leak in self.leaks])

    @property
    def nodes(self) -> tuple[str, ...]:
        """Nodes in order of the heat path, a branch after another, ambient last."""
        return (*self.tree.nodes, self.tree.reference)

    @property
    def touched(self) -> str:
        """The node people touch: `case` where there is one, else the last before ambient."""
        return CASE if CASE in self.tree.nodes else self.tree.path(self.tree.sources[0])[-2]

    @property
    def ambient(self) -> str:
        """The node where the path ends."""
        return self.tree.reference


@dataclass(frozen=True, eq=False)
class Prediction(Tabular):
    """What the budget predicts at one power and one ambient temperature.

    On a chain `R_K_per_W` is what a run would see: the drop over a stage per watt that enters the
    path (over stages in parallel, by the share of it that would take this one without leaks). On a
    tree, and wherever there are no leaks, it is the stage's own resistance.
    """

    budget: Budget
    power_W: float  # electrical, of all sources [W]
    ambient_degC: float
    R_K_per_W: Array  # (stages,)
    R_covariance: Array  # (stages, stages) [(K/W)^2], Monte Carlo
    C_J_per_K: Array  # (stages,) heat capacity of each stage's from node, 0 where none
    rise_K: Mapping[str, float]  # node -> rise above ambient
    rise_u_K: Mapping[str, float]
    tau_s: Array
    foster_node: str
    foster_R_K_per_W: Array
    foster_tau_s: Array
    drivers: tuple[
        tuple[str, str, float], ...
    ] = ()  # (stage, key, share of the variance), largest first
    warnings: tuple[str, ...] = ()
    tau_u_s: Array = field(default_factory=lambda: np.array([]))  # of tau_s
    heat_share: Array | None = None  # (stages,) of the electrical power that flows through each
    source_power_W: Array = field(default_factory=lambda: np.array([]))  # (sources,) electrical
    resistance_matrix_K_per_W: Array = field(
        default_factory=lambda: np.zeros((0, 0))
    )  # (nodes, sources) rise above ambient per electrical watt, at these powers

    def __repr__(self) -> str:
        R = map(with_expanded, self.R_K_per_W, np.sqrt(np.diag(self.R_covariance)))
        stages = ", ".join(
            f"{stage.name} {one}" for stage, one in zip(self.budget.stages, R, strict=True)
        )
        at = f"{digits(self.power_W)} W, {fixed(self.ambient_degC, 1)} °C"
        return f"<Prediction at {at}: {stages} K/W, k = 2>"

    def to_frame(self) -> DataFrame:
        """A row a stage: resistance and its standard uncertainty [K/W], capacity [J/K]."""
        import pandas as pd

        return self.budget.to_frame()[["name", "from", "to", "kind"]].assign(
            R_K_per_W=self.R_K_per_W,
            R_u_K_per_W=np.sqrt(np.diag(self.R_covariance)),
            C_J_per_K=pd.Series(self.C_J_per_K),
        )
