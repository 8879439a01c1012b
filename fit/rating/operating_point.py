"""The measured path at other powers and ambients: every node's rise, with its uncertainty.

Measured spans are used as measured, the others from the budget. The resistance of a span with a
surface to the air is not constant: it falls as the surface warms. The budget gives its rise as a
function of heat and ambient, rise = D(heat, ambient); the run gives the heat at which the budget's
surface would show the measured rise, per recorded watt, k = D^-1(measured rise) / recorded power.
At another power P the rise is then D(k P, ambient): the same surface temperature, the same share.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from fit.assessment.alignment import Alignment
from fit.budget.model import Budget, Prediction
from fit.network.topology import Topology
from fit.records.run import Array

Resistances = Callable[[float, float], Array]
"""Electrical power [W], ambient [degC] -> the budget's resistance of every stage [K/W]."""

MEASURED, BUDGET, SHARED_OUT = "measured", "budget", "shared out"
DRAWS = 2000
"""Monte Carlo draws: an end of a 95 % interval then scatters by 3 % of its half-width.

Standard error of a quantile, sqrt(p (1 - p) / n) over the normal density there (order statistics).
"""
SCALING_DOUBT = 0.35
"""Standard uncertainty of a surface's change with temperature, relative to the change: ours.

It covers the division of heat between convection and radiation and the change of air's properties
with temperature: with it, 95 % intervals hold on products whose convection follows another law than
the budget's (`tests/benchmarks/ratings.py`).
"""

_SURFACE = "surface"
# Four a decade: between two of them the rise is a power law of the heat.
_TABLE_POWERS = np.logspace(-2, 1.5, 15)  # times the design power


@dataclass(frozen=True, eq=False)
class Part:
    """A span between two measured nodes, or one stage that was not measured.

    All per watt of recorded power, one value a draw, the first draw without any error.
    """

    nodes: tuple[str, ...]  # of the budget, both ends with
    stages: tuple[int, ...]
    measured: bool
    R_K_per_W: Array  # (draws,) at the run's conditions; of no meaning for an unmeasured surface
    heat_share: Array | None  # (draws,) k of a surface, None for a part that keeps its resistance
    doubt: Array  # (draws,) exponent on a surface's change, or its factor where unmeasured

    @property
    def first_draw(self) -> Part:
        """The part without its uncertainty."""
        heat_share = None if self.heat_share is None else self.heat_share[:1]
        return replace(
            self, R_K_per_W=self.R_K_per_W[:1], heat_share=heat_share, doubt=self.doubt[:1]
        )


@dataclass(frozen=True)
class HeatPath:
    """The whole path from the heat source to ambient."""

    budget: Budget
    parts: tuple[Part, ...]
    resistances: Resistances

    @cached_property
    def network(self) -> Topology:
        """A link for each part, in their order."""
        links = tuple((part.nodes[0], part.nodes[-1]) for part in self.parts)
        starts = tuple(dict.fromkeys(start for start, _ in links))
        return Topology(starts, links, self.budget.ambient, self.budget.tree.sources)

    def inside(self, node: str) -> int | None:
        """The part that has a node between its ends.

        Args:
            node: of the budget.

        Returns:
            Place of the part; None for a node at the end of one.
        """
        found = (i for i, part in enumerate(self.parts) if node in part.nodes[1:-1])
        return next(found, None)

    @property
    def surface_scale(self) -> Array | None:
        """Predicted over real heat shed by a measured surface at one temperature (draws,)."""
        for part in self.parts:
            if part.measured and part.heat_share is not None:
                return part.heat_share / self.budget.conditions.path_fraction
        return None

    @property
    def nominal(self) -> HeatPath:
        """The path without its uncertainty: the first draw alone."""
        return replace(self, parts=tuple(part.first_draw for part in self.parts))

    def basis(self, node: str) -> str:
        """Where a node's temperature comes from.

        Args:
            node: of the budget.

        Returns:
            "measured", "budget", or "shared out" within a measured span.
        """
        if self.inside(node) is not None:
            return SHARED_OUT
        unmeasured = any(node == part.nodes[0] and not part.measured for part in self.parts)
        return BUDGET if unmeasured else MEASURED

    def at(self, ambient_degC: float) -> OperatingPoint:
        """The path at one ambient temperature.

        Args:
            ambient_degC: of the air [degC].

        Returns:
            The operating point, for any power.
        """
        curves = tuple(
            None if part.heat_share is None else _curve(self, part, ambient_degC)
            for part in self.parts
        )
        return OperatingPoint(self, ambient_degC, curves)


@dataclass(frozen=True, eq=False)
class Curve:
    """A surface's rise against the heat it gives off, by the budget; a power law between points.

    >>> curve = Curve(np.log([1.0, 16.0]), np.log([10.0, 80.0]))  # rise = 10 heat^0.75
    >>> curve.rise_K(np.array([0.0, 1.0, 16.0, 81.0])).round(6).tolist()
    [0.0, 10.0, 80.0, 270.0]
    >>> float(curve.heat_W(np.array(270.0)).round(6))
    81.0
    """

    log_heat: Array
    log_rise: Array

    def rise_K(self, heat_W: Array) -> Array:
        """Rise of the surface at a heat.

        Args:
            heat_W: given off, none negative (draws,) [W].

        Returns:
            Rise (draws,) [K], 0 at no heat.
        """
        return _power_law(heat_W, self.log_heat, self.log_rise)

    def heat_W(self, rise_K: Array) -> Array:
        """Heat that the surface gives off at a rise.

        Args:
            rise_K: above ambient, none negative (draws,) [K].

        Returns:
            Heat (draws,) [W], 0 at no rise.
        """
        return _power_law(rise_K, self.log_rise, self.log_heat)


@dataclass(frozen=True)
class OperatingPoint:
    """A path at one ambient temperature."""

    path: HeatPath
    ambient_degC: float
    curves: tuple[Curve | None, ...]

    def part_rise_K(self, i: int, power_W: Array) -> Array:
        """Temperature difference across one part.

        Args:
            i: place of the part.
            power_W: recorded power, one for each draw or one for all [W].

        Returns:
            Rise across the part (draws,) [K].
        """
        part, curve = self.path.parts[i], self.curves[i]
        if curve is None or part.heat_share is None:
            return part.R_K_per_W * power_W
        rise = curve.rise_K(part.heat_share * power_W)
        if not part.measured:
            return rise * part.doubt
        linear = part.R_K_per_W * power_W
        change = np.divide(rise, linear, out=np.ones_like(rise), where=linear > 0)
        return rise * change**part.doubt

    def node_degC(self, node: str, power_W: float | Array) -> Array:
        """Temperature of a node in steady state.

        Args:
            node: of the budget.
            power_W: recorded power, one for each draw or one for all [W]; of a path with its
                first draw alone, any number of powers (n,).

        Returns:
            Temperature (draws,) or (n,) [degC].
        """
        path = self.path
        power, _ = np.broadcast_arrays(np.asarray(power_W, float), path.parts[0].R_K_per_W)
        temperature = np.full(power.shape, self.ambient_degC)
        inside = path.inside(node)
        below = node if inside is None else path.parts[inside].nodes[-1]
        for i in reversed(path.network.links_between(below)):
            temperature = temperature + self.part_rise_K(i, power)
        if inside is None:
            return temperature
        return temperature + self.part_rise_K(inside, power) * self._share_below(inside, node)

    def allowable_W(self, node: str, limit_degC: float) -> Array:
        """Power at which a node reaches its limit in steady state.

        Args:
            node: of the budget.
            limit_degC: of the node [degC].

        Returns:
            Power (draws,) [W], 0 where ambient is at the limit already.
        """
        if limit_degC <= self.ambient_degC:
            return np.zeros_like(self.path.parts[0].R_K_per_W)
        low = np.zeros_like(self.path.parts[0].R_K_per_W)
        high = low + self.path.budget.conditions.power_W * _TABLE_POWERS[-1]
        for _ in range(60):
            middle = 0.5 * (low + high)
            cool = self.node_degC(node, middle) < limit_degC
            low, high = np.where(cool, middle, low), np.where(cool, high, middle)
        return 0.5 * (low + high)

    def _share_below(self, i: int, node: str) -> float:
        """Share of a lumped span's rise that lies below an inner node, by the budget."""
        part, budget = self.path.parts[i], self.path.budget
        R = self.path.resistances(budget.conditions.power_W, self.ambient_degC)
        below = budget.tree.links_between(node, part.nodes[-1])
        return float(R[list(below)].sum() / R[list(part.stages)].sum())


def heat_path(
    path: Alignment, prediction: Prediction, resistances: Resistances, draws: int = DRAWS
) -> HeatPath:
    """Measured spans and the budget's other stages as one path, with draws of its uncertainty.

    Args:
        path: measured spans laid on the budget.
        prediction: the budget at the run's power and ambient.
        resistances: the budget's at any power and ambient.
        draws: of the Monte Carlo uncertainty (JCGM 101).

    Returns:
        The whole path, measured where it can be and the budget's elsewhere.
    """
    budget = prediction.budget
    random = np.random.default_rng(20250101)
    spans = _normal(random, path.R_K_per_W, path.covariance, draws)
    stages = _normal(random, prediction.R_K_per_W, prediction.R_covariance, draws)
    conditions = budget.conditions
    variance = np.array([[conditions.path_fraction_u**2]])
    share = _normal(random, np.array([conditions.path_fraction]), variance, draws)[0]
    doubt = _normal(random, np.zeros(1), np.array([[SCALING_DOUBT**2]]), draws)[0]

    parts = []
    for span, (ends, members) in enumerate(zip(path.ends, path.stages, strict=True)):
        R = np.maximum(spans[span], 1e-9) if _has_surface(budget, members) else spans[span]
        parts.append(Part(budget.tree.path(*ends), members, True, R, None, doubt))
    for i in path.unmeasured:
        relative = stages[i] / prediction.R_K_per_W[i]
        heat_share = share if _has_surface(budget, (i,)) else None
        ends = budget.tree.links[i]
        parts.append(Part(ends, (i,), False, share * stages[i], heat_share, relative))
    parts.sort(key=lambda part: part.stages)
    bare = HeatPath(budget, tuple(parts), resistances)
    fitted = tuple(_with_heat_share(bare, part, prediction) for part in parts)
    return HeatPath(budget, fitted, resistances)


def _with_heat_share(path: HeatPath, part: Part, prediction: Prediction) -> Part:
    """A measured part that holds a surface, with its k from the run's own conditions."""
    if not (part.measured and _has_surface(path.budget, part.stages)):
        return part
    curve = _curve(path, part, prediction.ambient_degC)
    rise = part.R_K_per_W * prediction.power_W
    return replace(part, heat_share=curve.heat_W(rise) / prediction.power_W)


def _curve(path: HeatPath, part: Part, ambient_degC: float) -> Curve:
    conditions = path.budget.conditions
    power = conditions.power_W * _TABLE_POWERS
    R = np.array([path.resistances(float(p), ambient_degC)[list(part.stages)].sum() for p in power])
    heat = conditions.path_fraction * power
    # Beyond the temperatures a budget is solved for its rise no longer grows.
    valid = np.append(True, np.diff(heat * R) > 0)
    return Curve(np.log(heat[valid]), np.log((heat * R)[valid]))


def _power_law(x: Array, log_x: Array, log_y: Array) -> Array:
    """y at x by straight lines in logarithms, the outer ones going on."""
    with np.errstate(divide="ignore"):
        place = np.log(np.maximum(x, 0.0))
    inside = np.interp(place, log_x, log_y)
    first, last = (np.diff(log_y) / np.diff(log_x))[[0, -1]]
    inside += first * np.minimum(place - log_x[0], 0.0) + last * np.maximum(place - log_x[-1], 0.0)
    return np.exp(inside)


def _normal(random: np.random.Generator, mean: Array, covariance: Array, draws: int) -> Array:
    """Draws (n, draws) of a normal state of knowledge, the first at its mean."""
    values, vectors = np.linalg.eigh(covariance)
    spread = vectors * np.sqrt(np.maximum(values, 0.0))
    sample = random.standard_normal((len(mean), draws))
    sample[:, 0] = 0.0
    return mean[:, np.newaxis] + spread @ sample


def _has_surface(budget: Budget, stages: tuple[int, ...]) -> bool:
    return any(budget.stages[i].kind == _SURFACE for i in stages)
