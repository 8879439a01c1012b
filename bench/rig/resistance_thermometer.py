"""Platinum resistance thermometers by the function of IEC 60751.

    R(t) = R0 (1 + A t + B t^2 + C (t - 100) t^3),  C = 0 from 0 degC up,  -200 to 850 degC

The same function and coefficients stand in IEC 60751:2022, ASTM E1137 and JIS C 1604.
"""

from __future__ import annotations

import math

A, B, C = 3.9083e-3, -5.775e-7, -4.183e-12  # [1/degC, 1/degC^2, 1/degC^4]
RANGE_DEGC = (-200.0, 850.0)
R0_OHM = {"PT100": 100.0, "PT1000": 1000.0}
STEPS = 10  # of Newton's method: quadratic, it is there to the last digit after five
CLOSE_K = 1e-9


def resistance_ohm(temperature_degC: float, R0_ohm: float = 100.0) -> float:
    """Resistance at a temperature [degC] of a thermometer with R0_ohm at 0 degC [ohm].

    >>> round(resistance_ohm(100.0), 2), round(resistance_ohm(-100.0, 1000.0), 1)
    (138.51, 602.6)
    """
    t = temperature_degC
    below = C * (t - 100.0) * t**3 if t < 0 else 0.0
    return R0_ohm * (1.0 + A * t + B * t**2 + below)


def temperature_degC(measured_ohm: float, R0_ohm: float = 100.0) -> float:
    """Temperature of a resistance [ohm]; NaN outside -200 to 850 degC [degC].

    >>> round(temperature_degC(138.5055), 3)
    100.0
    """
    lowest, highest = (resistance_ohm(end, R0_ohm) for end in RANGE_DEGC)
    if not lowest <= measured_ohm <= highest:
        return math.nan
    ratio = measured_ohm / R0_ohm
    # The root of the quadratic: exact from 0 degC up, and within 3 K below.
    t = (-A + math.sqrt(A**2 - 4.0 * B * (1.0 - ratio))) / (2.0 * B)
    for _ in range(STEPS if t < 0 else 0):
        slope = A + 2.0 * B * t + C * (4.0 * t**3 - 300.0 * t**2)
        step = (resistance_ohm(t, 1.0) - ratio) / slope
        t -= step
        if abs(step) < CLOSE_K:
            break
    return t
