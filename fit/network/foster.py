"""Foster and Cauer networks: response to steps, pulses and any power.

A Foster network is a sum of first-order terms, Z(s) = sum_k R_k / (1 + s tau_k). A Cauer network
is the ladder that heat passes through: node i carries the capacity C[i] and passes heat through
R[i] to node i + 1; the last R ends at the reference. Heat enters at node 0. Both describe the same
impedance there, one as it is fitted, the other as it is built.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from fit.network.foster_cauer import cauer_to_foster, foster_to_cauer
from fit.network.topology import Array

__all__ = [
    "cauer_to_foster",
    "foster_to_cauer",
    "impedance_curve",
    "pulse_extremes",
    "pulse_response",
    "response_to_power",
    "step_response",
]


def step_response(R: ArrayLike, tau: ArrayLike, t_s: ArrayLike) -> Array:
    """Rise for one watt switched on at t = 0: the Z_th curve of the network.

    Args:
        R: amplitudes (..., K), any sign; one row per node, for example [K/W].
        tau: time constants (K,); 0 responds without delay [s].
        t_s: times (n,); nothing happens before 0 [s].

    Returns:
        Rise per watt (..., n) [K/W].

    >>> step_response([2.0], [10.0], [0.0, 10.0]).round(6).tolist()
    [0.0, 1.264241]
    """
    return _sum_terms(R, _charge(_terms(tau), np.atleast_1d(np.asarray(t_s, dtype=float))))


def pulse_response(
    R: ArrayLike, tau: ArrayLike, t_s: ArrayLike, width_s: float, period_s: float | None = None
) -> Array:
    """Rise for pulses of one watt, from a cold start at t = 0.

    Args:
        R: amplitudes (..., K) [K/W].
        tau: time constants (K,) [s].
        t_s: times (n,) [s].
        width_s: duration of each pulse [s].
        period_s: from the start of one pulse to the next, without end; None for one pulse [s].

    Returns:
        Rise per watt (..., n) [K/W].

    Raises:
        ValueError: a width that is not positive, or a period shorter than the pulse.

    >>> pulse_response([2.0], [10.0], [10.0, 20.0], width_s=10.0).round(6).tolist()
    [1.264241, 0.465088]
    """
    t, terms = np.atleast_1d(np.asarray(t_s, dtype=float)), _terms(tau)
    _check_pulse(width_s, period_s)
    if period_s is None:
        return _sum_terms(R, _charge(terms, t) - _charge(terms, t - width_s))
    finished = np.maximum(np.floor(t / period_s), 0.0)
    since = t - finished * period_s
    pulse = _charge(terms, since) - _charge(terms, since - width_s)
    # The rise left by the finished pulses: a geometric series of decays.
    left = _charge(terms, width_s) * _decay(terms, np.maximum(since + period_s - width_s, 0.0))
    return _sum_terms(R, pulse + left * _series(terms, period_s, finished))


def pulse_extremes(
    R: ArrayLike, tau: ArrayLike, width_s: float, period_s: float
) -> tuple[Array, Array]:
    """Rise per watt at the end and the start of a pulse, once a pulse train has settled.

    Peak: sum_k R_k (1 - exp(-w/tau_k)) / (1 - exp(-p/tau_k)); trough: each term of it times
    exp(-(p - w)/tau_k). They are the extremes where all amplitudes are positive: the heated node.

    Args:
        R: amplitudes (..., K) [K/W].
        tau: time constants (K,) [s].
        width_s: duration of each pulse [s].
        period_s: time from one pulse's start to the next [s].

    Returns:
        Peak and trough (...) [K/W].

    Raises:
        ValueError: a width that is not positive, or a period shorter than the pulse.

    At a duty of one half the two are symmetric about half the resistance:

    >>> peak, trough = pulse_extremes([1.0], [1.0], width_s=1.0, period_s=2.0)
    >>> float(peak.round(6)), float(trough.round(6))
    (0.731059, 0.268941)
    """
    _check_pulse(width_s, period_s)
    terms = _terms(tau)
    peak = _charge(terms, width_s) / _charge(terms, period_s)
    trough = peak * _decay(terms, period_s - width_s)
    return _sum_terms(R, peak)[..., 0], _sum_terms(R, trough)[..., 0]


def response_to_power(
    R: ArrayLike,
    tau: ArrayLike,
    t_s: ArrayLike,
    power_W: ArrayLike,
    between: Literal["hold", "line"] = "hold",
) -> Array:
    """Rise for any power, from a cold start at the first time; exact for the power as stated.

    Args:
        R: amplitudes (..., K), or (..., sources, K) for several sources [K/W].
        tau: time constants (K,) [s].
        t_s: times (n,), never decreasing, evenly spaced or not [s].
        power_W: power at those times (n,), or (n, sources) of several sources [W].
        between: "hold" keeps each power until the next time, "line" joins them.

    Returns:
        Rise (..., n) at the same times [K].

    Raises:
        ValueError: times that decrease, or lengths that differ.

    >>> response_to_power([2.0], [10.0], [0.0, 10.0, 20.0], [1.0, 0.0, 0.0]).round(6).tolist()
    [0.0, 1.264241, 0.465088]
    """
    t, power = np.asarray(t_s, dtype=float), np.asarray(power_W, dtype=float)
    if power.ndim == 2:
        each = np.moveaxis(np.asarray(R, dtype=float), -2, 0)
        if len(each) != power.shape[1]:
            raise ValueError(
                f"amplitudes of {len(each)} sources for powers of {power.shape[1]}; "
                "there must be as many of each"
            )
        rises = [
            response_to_power(amplitude, tau, t, of_one, between)
            for amplitude, of_one in zip(each, power.T, strict=True)
        ]
        return np.asarray(np.sum(rises, axis=0))
    if t.shape != power.shape or t.ndim != 1:
        raise ValueError(f"{t.size} times for {power.size} powers; there must be as many of each")
    step = np.diff(t)
    if not (np.isfinite(t).all() and (step >= 0).all()):
        raise ValueError("the times decrease somewhere, or are not finite; they must ascend")
    terms = _terms(tau)
    decay, charge = _decay(terms, step), _charge(terms, step)
    gain = charge * power[:-1]
    if between == "line":
        # A ramp's response lags it by tau: 1 - charge tau / step, which tends to 0 with the step.
        ratio = terms / np.where(step > 0, step, np.inf)
        gain = gain + np.where(step > 0, 1.0 - charge * ratio, 0.0) * np.diff(power)
    filtered = np.zeros((len(terms), t.size))
    if t.size:
        filtered[:, 1:] = _recur(decay, gain)
    return _sum_terms(R, filtered)


def impedance_curve(
    R: ArrayLike, tau: ArrayLike, points_per_decade: int = 40
) -> tuple[Array, Array]:
    """Z_th over the times in which it happens, evenly spaced in log time.

    Args:
        R: amplitudes (..., K) [K/W].
        tau: time constants (K,), at least one above 0 [s].
        points_per_decade: times in each decade.

    Returns:
        Times (n,) from a hundredth of the shortest to ten of the longest time constant [s], and the
        rise per watt (..., n) [K/W].

    >>> t_s, Z = impedance_curve([2.0], [10.0], points_per_decade=1)
    >>> t_s.round(6).tolist(), Z.round(3).tolist()
    ([0.1, 1.0, 10.0, 100.0], [0.02, 0.19, 1.264, 2.0])
    """
    terms = np.atleast_1d(np.asarray(tau, dtype=float))
    terms = terms[terms > 0]
    low, high = np.log10(terms.min()) - 2, np.log10(terms.max()) + 1
    t_s = np.logspace(low, high, int(np.ceil((high - low) * points_per_decade)) + 1)
    return t_s, step_response(R, tau, t_s)


def _check_pulse(width_s: float, period_s: float | None) -> None:
    if not width_s > 0:
        raise ValueError(f"a pulse of {width_s} s has no width; it must be more than 0")
    if period_s is not None and period_s < width_s:
        raise ValueError(f"the period {period_s} s is shorter than the pulse of {width_s} s")


def _terms(tau: ArrayLike) -> Array:
    """Time constants as a column (K, 1)."""
    return np.atleast_1d(np.asarray(tau, dtype=float))[:, np.newaxis]


def _decay(terms: Array, t: Any) -> Array:
    """exp(-t / tau), with the limit for tau = 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(terms > 0, np.exp(-np.maximum(t, 0.0) / terms), np.where(t > 0, 0.0, 1.0))


def _charge(terms: Array, t: Any) -> Array:
    """1 - exp(-t / tau) without loss for short t, 0 before t = 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(
            terms > 0, -np.expm1(-np.maximum(t, 0.0) / terms), np.where(t > 0, 1.0, 0.0)
        )


def _series(terms: Array, period_s: float, count: Array) -> Array:
    """Sum of exp(-i period / tau) for i = 0 ... count - 1."""
    return _charge(terms, count * period_s) / _charge(terms, period_s)


def _sum_terms(R: ArrayLike, each: Array) -> Array:
    return np.asarray(R, dtype=float) @ each


def _recur(decay: Array, gain: Array) -> Array:
    """x[i + 1] = decay[i] x[i] + gain[i] from x[0] = 0, in log2(n) passes over whole arrays."""
    decay, x = decay.copy(), gain.copy()
    shift = 1
    while shift < x.shape[1]:
        x[:, shift:] += decay[:, shift:] * x[:, :-shift]
        decay[:, shift:] *= decay[:, :-shift].copy()
        shift *= 2
    return x
