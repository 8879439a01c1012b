"""How good a fit is, node by node: size and whiteness of what is left over."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fit.identification.autocorrelation import correlogram
from fit.records.run import Array

LAGS = 10  # common practice for long series
WHITE_AT = 0.01  # so rare in white noise that one node in a hundred is called coloured wrongly


@dataclass(frozen=True)
class Residual:
    """What is left of one node's readings after the fit."""

    rms_K: float
    largest_K: float  # the largest by magnitude, with its sign
    largest_at_s: float  # where it stands in the record
    autocorrelation: float  # between neighbouring samples, -1 ... 1
    p_white: float  # probability of so much correlation in white noise

    @property
    def is_white(self) -> bool:
        """Whether nothing but noise is left, as far as neighbouring samples tell."""
        return self.p_white >= WHITE_AT


def describe_residual(t_s: Array, residual_K: Array, lags: int = LAGS) -> Residual:
    """Size and whiteness of one node's residual.

    Whiteness by the portmanteau test Q = n (n + 2) Σ ρ_k² / (n − k), chi-squared with as many
    degrees of freedom as lags (Ljung and Box 1978, Biometrika 65, 297).

    Args:
        t_s: times (n,) [s].
        residual_K: measured minus fitted (n,) [K]; NaN where there is no reading.
        lags: how many neighbours back; fewer for a short record.
    Returns:
        Its description; NaN throughout where there is no reading.

    >>> wave = np.sin(np.arange(400.0) / 20)
    >>> describe_residual(np.arange(400.0), wave).is_white
    False
    """
    from scipy.stats import chi2

    nan = float("nan")
    there = np.isfinite(residual_K)
    n = int(there.sum())
    if n == 0:
        return Residual(nan, nan, nan, nan, nan)
    values = np.where(there, residual_K, 0.0)
    power = float(values @ values)
    at = int(np.argmax(np.abs(values)))
    rms, largest, when = (power / n) ** 0.5, float(values[at]), float(t_s[at])
    lags = min(lags, n // 5)
    if lags < 1 or power == 0:
        return Residual(rms, largest, when, nan, nan)
    centred = np.where(there, residual_K - values.sum() / n, 0.0)
    rho = correlogram(centred, lags)
    portmanteau = n * (n + 2) * float(np.sum(rho**2 / (n - np.arange(1, lags + 1))))
    return Residual(rms, largest, when, float(rho[0]), float(chi2.sf(portmanteau, lags)))
