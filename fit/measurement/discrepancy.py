"""Model discrepancy of lumped networks: heat still being stored when a short record ends.

Foil, plane and case are fields. Heat spreads in them ever more slowly, and the few exponentials
that describe the record so far do not predict its continuation. With the relaxation spectrum s(τ)

    ΔT(t)/P = R − ∫ s(τ) exp(−t/τ) d ln τ,

and for a spectrum that is flat up to a longest time constant τ_max (as diffusion's is, nearly) the
remaining rise at the time t, over the rise while t doubled, is

    (R − ΔT(t)/P) / (ΔT(t)/P − ΔT(t/2)/P) ≈ (ln(τ_max/t) − γ) / ln 2,    γ = 0.5772.

τ_max is not known: up to `OCTAVES` doublings of the heating time, the ratio lies between 0 and
`OCTAVES`. So the resistance is the one reached plus half of `OCTAVES` times the last doubling's
rise, with the standard deviation of a rectangular distribution between the bounds (JCGM 101,
6.4.2). Where a few lumps describe the record down to the scans' own noise, the product is lumped
and none of this applies.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fit.network.topology import chain
from fit.records.run import Array
from fit.signals.preparation import Signals

# Remaining over last doubling in products that are fields, sound and faulty, 60-900 s: median 1.5,
# 5th to 95th percentile -0.2 to 3.5 (`tests.benchmarks.field`, seeds below 1000). It stands for
# time constants up to 20 times as long as the heating.
OCTAVES = 3.5
WINDOW = 0.06  # of the heating, averaged at its middle and at its end
LEAST_SCANS = 3  # in a window: a mean of fewer shows no scatter
STEADY_POWER = 0.02  # relative scatter of a power that is one step
NOISE_SIGMAS = 2.0  # standard deviations that noise may put a sum of squares above its expectation
# The same where each residual is no more like the next than noise makes it (by as many standard
# deviations): a misfit is slow. Noise puts a sum that far once in 30 000 records.
WHITE_SIGMAS = 4.0
# Relative standard uncertainty of a model's extrapolation beyond the drop reached: on short records
# of fields that a ladder describes down to the noise it is off by a third (same seeds).
OWN_EXTRAPOLATION = 0.35
# Of what a ladder gives a span in the last doubling of time: fields that pass for ladders in 60 and
# 90 s go on to rise by so much more than the ladder says (root mean square of 24 spans, seeds below
# 60). A short, noisy record cannot tell one from the other; a span that has settled gains nothing.
# What is put down to the sensors' match counts alike: a field's slow rise may look like that.
OWN_GAIN = 1.2


@dataclass(frozen=True, eq=False)
class LastDoubling:
    """Drops over the spans at the end of heating, and their rise in the last doubling of time."""

    reached_K_per_W: Array  # (s,) at the end of heating
    gained_K_per_W: Array  # (s,) in the second half of heating
    noise_covariance: Array  # (s, s) of `resistance_K_per_W` [(K/W)^2]
    offset_covariance: Array  # (s, s) of the zero-power offsets [(K/W)^2]

    @property
    def resistance_K_per_W(self) -> Array:
        """The spans (s,), the remaining rise taken as the middle of its range [K/W]."""
        return self.reached_K_per_W + 0.5 * OCTAVES * self.gained_K_per_W

    @property
    def discrepancy_u_K_per_W(self) -> Array:
        """Standard deviation (s,) of the rectangular distribution of the remaining rise [K/W]."""
        return OCTAVES / np.sqrt(12) * np.abs(self.gained_K_per_W)


def last_doubling(signals: Signals, nodes: tuple[str, ...]) -> LastDoubling | None:
    """Drops over the spans at the end and in the middle of a power step from rest.

    Args:
        signals: offset-corrected record.
        nodes: measured nodes in order of the path (s + 1), the reference last.

    Returns:
        None where the record is no single step from rest, or has too few scans.
    """
    heating = np.flatnonzero(signals.power > 0)
    if signals.hot_start or is_glimpse(signals):
        return None
    first, last = int(heating[0]), int(heating[-1])
    power = signals.power[first : last + 1]
    if power.std() > STEADY_POWER * abs(power.mean()):
        return None
    t_s = signals.t_s[first : last + 1]
    age = (t_s - t_s[0]) / max(float(np.ptp(t_s)), 1e-9)
    columns = [signals.nodes.index(node) for node in nodes]
    readings = signals.temperature_degC[first : last + 1][:, columns]
    window = max(WINDOW, (LEAST_SCANS + 0.5) / (len(t_s) - 1))
    half = _mean(readings, np.abs(age - 0.5) <= 0.5 * window)
    end = _mean(readings, age >= 1 - window)
    if half is None or end is None:
        return None
    D = chain(nodes).full_incidence
    (end_K, end_variance), (half_K, half_variance) = end, half
    noise, step = (
        np.zeros(len(columns)) if values is None else values[columns]
        for values in (signals.noise_K, signals.quantum_K)
    )
    watts = float(power.mean())
    weight = 1 + 0.5 * OCTAVES
    variance = noise**2 * (weight**2 * end_variance + (weight - 1) ** 2 * half_variance)
    variance += step**2 / 12 * (weight**2 + (weight - 1) ** 2)
    offset = np.nan_to_num(signals.zero_power_offset_u_K[columns])
    return LastDoubling(
        reached_K_per_W=D @ end_K / watts,
        gained_K_per_W=D @ (end_K - half_K) / watts,
        noise_covariance=D @ np.diag(variance) @ D.T / watts**2,
        offset_covariance=D @ np.diag(offset**2) @ D.T / watts**2,
    )


def _mean(readings: Array, chosen: Array) -> tuple[Array, Array] | None:
    """Mean of the chosen readings of each node, and one over how many; None where too few."""
    values = readings[chosen]
    count = np.isfinite(values).sum(axis=0)
    if not len(values) or count.min() < LEAST_SCANS:
        return None
    return np.nanmean(values, axis=0), 1.0 / count


def ladder_discrepancy_u(half_left: Array, left: Array, misread: Array) -> Array:
    """Standard uncertainty of spans that a ladder describes down to the noise.

    Args:
        half_left: what of each span was still to come after half of the time (s,) [K/W].
        left: and at the end.
        misread: what the sensors' match explains of each span's rise in the second half (s,) [K/W].

    Returns:
        Of the ladder's extrapolation, and of the field that it may stand for (s,) [K/W].
    """
    own = OWN_GAIN * np.hypot(half_left - left, misread)
    return np.hypot(OWN_EXTRAPOLATION * left, own)


def is_glimpse(signals: Signals) -> bool:
    """Whether the power was on for too few scans to show how the rise goes on.

    Args:
        signals: offset-corrected record.

    Returns:
        True where mean, middle and end of the heating cannot each be averaged.
    """
    return bool(np.count_nonzero(signals.power > 0) < 4 * LEAST_SCANS)


def is_noise(cost: float, expected: float, sd: float, correlation_z: float = np.inf) -> bool:
    """Whether a weighted sum of squares is explained by the scans' own noise.

    A fit that leaves more has not described the record, however many terms it has.

    Args:
        cost: sum of squared residuals over their variances.
        expected: of noise alone.
        sd: standard deviation of that: of χ², and of the noise's own size.
        correlation_z: of each residual with the next, in standard deviations of white noise's.

    Returns:
        True where the sum is no more than `NOISE_SIGMAS` standard deviations above expectation, or
        no more than `WHITE_SIGMAS` and the residuals are white.

    >>> [is_noise(c, 200.0, 20.0, z) for c, z in ((220.0, 9.0), (250.0, 9.0), (250.0, 0.3))]
    [True, False, True]
    """
    sigmas = WHITE_SIGMAS if correlation_z <= NOISE_SIGMAS else NOISE_SIGMAS
    return cost <= expected + sigmas * sd
