"""How units of one kind differ, told from few of them or many.

Unit i has the true value x_i ~ N(μ, s²) and is measured as y_i ~ N(x_i, u_i²); μ has a flat prior,
s a half-normal one, p(s) ∝ exp(−s²/2S²), whose scale S is stated (Gelman 2006, "Prior
distributions for variance parameters in hierarchical models", Bayesian Analysis 1:515: weakly
informative on a standard deviation; from memory). μ given s is normal and is integrated out; over s
it is summed on a grid, so that everything asked is a quantile of a mixture of normals.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from fit.network.topology import Array

PRIOR_SCALE = 0.10
"""S over the mean: two of three pads, joints and via arrays of one drawing differ by less. Ours."""
LEVEL = 0.95
"""Of the next unit's interval, and both share and confidence of the tolerance interval."""
GRID = 400  # values of s: the interval is then exact to 1e-4 of itself
SMALLEST = 1e-3  # of S: a spread, or an uncertainty, that nobody tells from none
NEGLIGIBLE = 25.0  # in ln p: what lies further below the largest weighs 1e-11


@dataclass(frozen=True)
class Population:
    """What is known of one span in all units of a kind, 95 % throughout."""

    units: int
    mean_K_per_W: float
    mean_u_K_per_W: float
    spread_K_per_W: float  # standard deviation from unit to unit, measurement taken out: median
    spread_low_K_per_W: float
    spread_high_K_per_W: float
    next_low_K_per_W: float  # the next unit lies in between with probability `LEVEL`
    next_high_K_per_W: float
    tolerance_low_K_per_W: float  # 95 % of all units lie in between, with 95 % confidence
    tolerance_high_K_per_W: float
    p_next_within: float | None  # that the next unit keeps the limit


@dataclass(frozen=True, eq=False)
class Posterior:
    """μ given s is N(mean, sd²); s has the weights of a grid."""

    spread: Array  # (g,) values of s
    weight: Array  # (g,) sum 1
    mean: Array  # (g,) of μ
    sd: Array  # (g,) of μ, errors that all units share included

    def quantile(self, share: float, *, z: float = 0.0, own: bool = False) -> float:
        """Quantile of μ + z s, or of one more unit.

        Args:
            share: below it.
            z: standard normal deviate; 0 for μ itself.
            own: of a further unit, N(μ, s²), in place of μ.

        Returns:
            The value.
        """
        mean = self.mean + z * self.spread
        sd = np.hypot(self.sd, self.spread) if own else self.sd
        low, high = float((mean - 9 * sd).min()), float((mean + 9 * sd).max())
        if not high > low:
            return low

        def lack(x: float) -> float:
            return float(self.weight @ ndtr((x - mean) / sd)) - share

        return float(brentq(lack, low, high))

    def below(self, limit: float) -> float:
        """Probability that one more unit lies below a limit.

        Args:
            limit: in the unit of the values.

        Returns:
            The probability.
        """
        within = self.weight @ ndtr((limit - self.mean) / np.hypot(self.sd, self.spread))
        return min(float(within), 1.0)  # weights add up to one but for rounding

    def spread_quantile(self, share: float) -> float:
        """Quantile of the spread.

        Args:
            share: below it.

        Returns:
            The value.
        """
        return float(np.interp(share, np.cumsum(self.weight) - self.weight / 2, self.spread))

    def half_width(self, share: float, confidence: float) -> float:
        """Half of the interval about the mean that holds a share of all units.

        Args:
            share: of the units.
            confidence: probability that it holds as many.

        Returns:
            The half width: a two-sided interval of β content (ISO 16269-6).
        """
        centre = float(self.weight @ self.mean)
        widest = 9 * float(np.hypot(self.sd, self.spread).max()) + float(np.ptp(self.mean))
        if not widest > 0:
            return 0.0

        def lack(half: float) -> float:
            away = _largest_offset(half, self.spread, share)
            sure = ndtr((centre + away - self.mean) / self.sd) - ndtr(
                (centre - away - self.mean) / self.sd
            )
            return float(self.weight @ np.where(away < 0, 0.0, sure)) - confidence

        return float(brentq(lack, 0.0, 2 * widest, xtol=1e-9 * widest))


def posterior(y: Array, own_u: Array, scale: float, common_u: float = 0.0) -> Posterior:
    """What the units seen tell of all units.

    Args:
        y: measured, one value a unit (n,).
        own_u: standard uncertainty of each, without what all share (n,).
        scale: of the half-normal prior of the spread [unit of y].
        common_u: standard uncertainty that all values share [unit of y].

    Returns:
        The posterior of mean and spread.

    >>> alike = posterior(np.full(400, 5.0), np.full(400, 0.1), scale=0.5)
    >>> round(alike.quantile(0.975, own=True), 1)
    5.0
    """
    alike = _Alike.of(y, np.maximum(own_u, SMALLEST * scale))
    grid = np.geomspace(SMALLEST * scale, max(6 * scale, 4 * float(np.std(y))), GRID)
    log_p = _log_posterior(grid, alike, scale)[0]
    near = np.flatnonzero(log_p > log_p.max() - NEGLIGIBLE)
    first, last = max(near[0] - 1, 0), min(near[-1] + 1, GRID - 1)
    # From nothing where a spread of nothing is possible, else close about the most probable.
    low = 0.0 if first == 0 else grid[first]
    grid = np.linspace(low, grid[last], GRID)
    log_p, mean, sd = _log_posterior(grid, alike, scale)
    weight = np.exp(log_p - log_p.max())
    return Posterior(grid, weight / weight.sum(), mean, np.hypot(sd, common_u))


def population(
    y: Array,
    own_u: Array,
    *,
    relative_scale: float = PRIOR_SCALE,
    common_u: float = 0.0,
    limit: float | None = None,
) -> Population:
    """Mean, spread and the intervals of one span in all units of a kind.

    Args:
        y: the span in each unit (n,) [K/W].
        own_u: standard uncertainty of each, without what all share (n,) [K/W].
        relative_scale: of the half-normal prior of the spread, over the mean.
        common_u: standard uncertainty that all values share [K/W].
        limit: upper limit [K/W].

    Returns:
        The population; intervals reach below the units seen and above, the fewer the further.

    One unit alone says where the next lies to ± 31 %, by the prior:

    >>> one = population(np.array([1.0]), np.array([0.01]))
    >>> round(one.next_low_K_per_W, 2), round(one.next_high_K_per_W, 2)
    (0.69, 1.31)
    """
    level = abs(float(np.median(y)))
    known = posterior(y, own_u, max(relative_scale * level, 1e-12), common_u)
    tail = (1 - LEVEL) / 2
    mean = float(known.weight @ known.mean)
    half = known.half_width(LEVEL, LEVEL)
    return Population(
        units=len(y),
        mean_K_per_W=mean,
        mean_u_K_per_W=math.sqrt(float(known.weight @ (known.sd**2 + (known.mean - mean) ** 2))),
        spread_K_per_W=known.spread_quantile(0.5),
        spread_low_K_per_W=known.spread_quantile(tail),
        spread_high_K_per_W=known.spread_quantile(1 - tail),
        next_low_K_per_W=known.quantile(tail, own=True),
        next_high_K_per_W=known.quantile(1 - tail, own=True),
        tolerance_low_K_per_W=mean - half,
        tolerance_high_K_per_W=mean + half,
        p_next_within=None if limit is None else known.below(limit),
    )


@dataclass(frozen=True, eq=False)
class _Alike:
    """Units of one uncertainty taken together: of a hundred thousand, some hundred remain."""

    variance: Array  # (b,)
    count: Array  # (b,)
    total: Array  # (b,) of y above `zero`
    square: Array  # (b,) of y above `zero`
    zero: float

    @staticmethod
    def of(y: Array, u: Array) -> _Alike:
        digits = 10.0 ** (2 - np.floor(np.log10(u)))  # three of an uncertainty are more than enough
        variance, which = np.unique((np.round(u * digits) / digits) ** 2, return_inverse=True)
        zero = float(np.median(y))
        return _Alike(
            variance=variance,
            count=np.bincount(which).astype(float),
            total=np.bincount(which, y - zero).astype(float),
            square=np.bincount(which, (y - zero) ** 2).astype(float),
            zero=zero,
        )


def _log_posterior(grid: Array, units: _Alike, scale: float) -> tuple[Array, Array, Array]:
    """ln p(s | y) up to a constant, mean and standard deviation of μ given s, (g,) each."""
    weight = 1 / (units.variance + grid[:, None] ** 2)
    total = weight @ units.count
    mean = weight @ units.total / total
    misfit = weight @ units.square - total * mean**2
    log_p = np.log(weight) @ units.count - np.log(total) - misfit - (grid / scale) ** 2
    return 0.5 * log_p, units.zero + mean, total**-0.5


def _largest_offset(half: float, spread: Array, share: float) -> Array:
    """How far off μ may be for ± half still to hold a share of the units; below 0: never.

    The d at which Φ((h − d)/s) + Φ((h + d)/s) − 1 falls to the share, by bisection.
    """
    s = np.maximum(spread, 1e-12 * (half + float(spread.max())) + 1e-300)
    low, high = np.zeros_like(s), np.full_like(s, half)
    for _ in range(50):  # halvings: to the last digit
        middle = (low + high) / 2
        held = ndtr((half - middle) / s) + ndtr((half + middle) / s) - 1 >= share
        low, high = np.where(held, middle, low), np.where(held, high, middle)
    return np.where(half < ndtri((1 + share) / 2) * s, -1.0, low)
