"""A span over several runs: its trend against a quantity, and how much units differ."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fit.notation import COVERAGE_FACTOR
from fit.records.run import Array

LINE, CONTACT = "line", "contact"
CONTACT_EXPONENT = -0.95
"""Contact conductance grows as pressure^0.95 (Yovanovich 1982), and pressure as torque."""

_CLEARLY_BETTER = 4.0  # fall of chi-squared, a likelihood ratio of e^2. Ours


@dataclass(frozen=True)
class Trend:
    """R = intercept + slope f(x); f(x) = x for a line, x^-0.95 for a contact under pressure."""

    shape: str  # line | contact
    slope: float  # [K/W per unit of f(x)]
    slope_u: float
    intercept_K_per_W: float
    intercept_u_K_per_W: float
    covariance: float  # of slope and intercept
    birge_ratio: float | None  # scatter about the curve over what the uncertainties allow
    direction: str  # rising | falling | none seen, as x grows

    def at(self, x: Array) -> tuple[Array, Array]:
        """The curve and its standard uncertainty.

        Args:
            x: the quantity (n,).

        Returns:
            Resistance (n,) and its standard uncertainty (n,) [K/W].
        """
        f = _shaped(x, self.shape)
        variance = self.intercept_u_K_per_W**2 + 2 * f * self.covariance + (f * self.slope_u) ** 2
        return self.intercept_K_per_W + self.slope * f, np.sqrt(np.maximum(variance, 0.0))


@dataclass(frozen=True)
class Spread:
    """How much the runs differ among themselves beyond their measurement."""

    mean_K_per_W: float
    observed_sd_K_per_W: float
    between_sd_K_per_W: float  # measurement taken out
    between_low_K_per_W: float  # 95 % interval
    between_high_K_per_W: float
    measurement_u_K_per_W: float  # of one run, root mean square, without what all share


def fit_trend(x: Array, R: Array, own: Array, common: Array) -> Trend | None:
    """The trend of one span by weighted least squares: a line, or a contact's where clearly better.

    Where the values scatter about it more than their uncertainties allow, those are enlarged by the
    ratio (Birge 1932). Shared errors move the curve as a whole and are added afterwards.

    Args:
        x: the quantity in each run (n,).
        R: the span in each run (n,) [K/W].
        own: covariance of the errors each run has for itself (n, n), diagonal [(K/W)^2].
        common: covariance of the errors runs share (n, n) [(K/W)^2].

    Returns:
        The trend; None where all x are the same.

    >>> x, R = np.array([1.0, 2.0, 3.0]), np.array([1.0, 1.5, 2.0])
    >>> trend = fit_trend(x, R, own=0.01 * np.eye(3), common=np.zeros((3, 3)))
    >>> trend.shape, round(trend.slope, 6), round(trend.slope_u, 6)  # 0.1 / sqrt(2)
    ('line', 0.5, 0.070711)
    """
    if len(np.unique(x)) < 2:
        return None
    line, line_misfit = _fit_shape(LINE, x, R, own, common)
    if len(R) < 3 or x.min() <= 0:
        return line
    contact, contact_misfit = _fit_shape(CONTACT, x, R, own, common)
    return contact if contact_misfit < line_misfit - _CLEARLY_BETTER else line


def _shaped(x: Array, shape: str) -> Array:
    return x**CONTACT_EXPONENT if shape == CONTACT else x


def _fit_shape(shape: str, x: Array, R: Array, own: Array, common: Array) -> tuple[Trend, float]:
    """The trend of one shape, and its chi-squared."""
    design = np.column_stack([np.ones_like(x), _shaped(x, shape)])
    # A span without any stated uncertainty must not stop the arithmetic.
    variance = np.diag(own) + (1e-9 * np.abs(R).max()) ** 2
    gain = np.linalg.solve((design.T / variance) @ design, design.T / variance)
    intercept, slope = gain @ R
    misfit = float(np.sum((R - intercept - slope * design[:, 1]) ** 2 / variance))
    birge = math.sqrt(misfit / (len(R) - 2)) if len(R) > 2 else None
    enlarged = np.diag(variance) * max(1.0, birge or 1.0) ** 2
    covariance = gain @ (enlarged + common) @ gain.T
    slope_u = math.sqrt(covariance[1, 1])
    seen = abs(slope) > _student_factor(len(R), birge) * slope_u
    rises = (slope > 0) == (shape == LINE)
    trend = Trend(
        shape=shape,
        slope=float(slope),
        slope_u=slope_u,
        intercept_K_per_W=float(intercept),
        intercept_u_K_per_W=math.sqrt(covariance[0, 0]),
        covariance=float(covariance[0, 1]),
        birge_ratio=birge,
        direction=("rising" if rises else "falling") if seen else "none seen",
    )
    return trend, misfit


def _student_factor(runs: int, birge: float | None) -> float:
    """95 % factor: Student's t where the scatter itself set the uncertainty, else 2."""
    if birge is None or birge <= 1:
        return COVERAGE_FACTOR
    from scipy.stats import t

    return float(t.ppf(0.975, runs - 2))


def estimate_spread(R: Array, own: Array) -> Spread | None:
    """Between-unit standard deviation by Paule and Mandel (1982), interval by the Q profile.

    Q(s^2) = sum (R_i - mean)^2 / (u_i^2 + s^2) is chi-squared with n - 1 degrees of freedom at the
    true s (Viechtbauer 2007, Statistics in Medicine 26:37). What all runs share moves their mean,
    not their spread.

    Args:
        R: the span in each run (n,) [K/W].
        own: covariance of the errors each run has for itself (n, n), diagonal [(K/W)^2].

    Returns:
        The spread; None of fewer than three runs.

    With equal uncertainties u the estimate is sqrt(s^2 - u^2), s the standard deviation observed:

    >>> spread = estimate_spread(np.array([1.0, 2.0, 3.0]), 0.36 * np.eye(3))
    >>> round(spread.between_sd_K_per_W, 6)
    0.8
    """
    if len(R) < 3:
        return None
    from scipy.stats import chi2

    variance = np.diag(own)
    freedom = len(R) - 1
    few, many = chi2.ppf([0.025, 0.975], freedom)
    observed = float(np.std(R, ddof=1))
    low, estimate, high = (_between(R, variance, level) for level in (many, freedom, few))
    if high == 0.0:
        # Closer together than their uncertainties allow: the bound is the scatter observed.
        high = observed * math.sqrt(freedom / few)
    weight = 1 / np.maximum(variance + estimate**2, 1e-300)
    return Spread(
        mean_K_per_W=float(np.sum(weight * R) / np.sum(weight)),
        observed_sd_K_per_W=observed,
        between_sd_K_per_W=estimate,
        between_low_K_per_W=low,
        between_high_K_per_W=high,
        measurement_u_K_per_W=float(np.sqrt(np.mean(variance))),
    )


def _between(R: Array, variance: Array, level: float) -> float:
    """The s >= 0 at which Q(s^2) falls to a level; 0 where it is below it already."""
    from scipy.optimize import brentq

    floor = (1e-12 * max(float(np.abs(R).max()), 1e-300)) ** 2

    def excess(s: float) -> float:
        weight = 1 / (variance + s**2 + floor)
        mean = np.sum(weight * R) / np.sum(weight)
        return float(np.sum(weight * (R - mean) ** 2) - level)

    if excess(0.0) <= 0:
        return 0.0
    widest = float(np.ptp(R)) * math.sqrt(len(R) / level) + 1e-300
    return float(brentq(excess, 0.0, widest, xtol=1e-12 * widest))
