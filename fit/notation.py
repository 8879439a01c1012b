"""How values and spans are written: the same in every table, figure, page and message.

An interval is always the expanded uncertainty, k = 2 (JCGM 100:2008, 6.2), rounded to two
significant digits, its value to the same place (7.2.6). Zeros that are significant are kept, and
nothing is negative zero or "nan".
"""

from __future__ import annotations

import math
from collections.abc import Sequence

COVERAGE_FACTOR = 2.0  # of every interval that is shown (JCGM 100:2008, 6.3.3)
UNKNOWN = "–"
LONGEST = 6  # digits before the point: a number that is longer is written with its power of ten
SMALLEST = -5  # power of ten, likewise
NO_INTERVAL = 1e-12  # of its value: what is narrower is the rounding of doubles (2e-16), added up


def with_expanded(value: float, u: float, *, sign: bool = False) -> str:
    """A value with its expanded uncertainty (k = 2) to two digits, the value to the same place.

    Args:
        value: in any unit.
        u: its standard uncertainty; 0, or no more than rounding leaves, for none.
        sign: a plus before what is not negative, for a difference.

    Returns:
        The two, without their unit; the value alone where it has no uncertainty.

    >>> with_expanded(0.98234, 0.0071), with_expanded(0.9, 0.08), with_expanded(1234.0, 76.0)
    ('0.982 ± 0.014', '0.90 ± 0.16', '1230 ± 150')
    >>> with_expanded(12.3, 0.0), with_expanded(-0.0001, 0.02), with_expanded(0.2, 0.02, sign=True)
    ('12.3', '0.000 ± 0.040', '+0.200 ± 0.040')
    """
    if not (math.isfinite(value) and math.isfinite(u)):
        return UNKNOWN
    expanded = COVERAGE_FACTOR * u
    if not expanded > NO_INTERVAL * abs(value):
        return digits(value, sign=sign)
    places = 1 - _power(expanded, 2)
    return f"{fixed(value, places, sign=sign)} ± {fixed(expanded, places)}"


def digits(value: float | None, figures: int = 3, *, sign: bool = False) -> str:
    """A value to so many significant digits, zeros kept.

    Args:
        value: in any unit; None where it is not known.
        figures: how many digits.
        sign: a plus before what is not negative.

    Returns:
        The number.

    >>> digits(0.75), digits(4.2), digits(729.96), digits(41234.0), digits(2.5e-7), digits(None)
    ('0.750', '4.20', '730', '41200', '2.50e-07', '–')
    """
    if value is None or not math.isfinite(value):
        return UNKNOWN
    if value == 0:
        return "0"
    power = _power(value, figures)
    if not SMALLEST <= power < LONGEST:
        return f"{value:{'+' if sign else ''}.{figures - 1}e}"
    return fixed(value, figures - 1 - power, sign=sign)


def fixed(value: float | None, places: int, *, sign: bool = False) -> str:
    """A value to so many decimal places; below zero places, to tens, hundreds and so on.

    Args:
        value: in any unit; None where it is not known.
        places: decimal places.
        sign: a plus before what is not negative.

    Returns:
        The number.

    >>> fixed(-0.0001, 3), fixed(1234.0, -1), fixed(float("nan"), 2), fixed(3.14159, 2, sign=True)
    ('0.000', '1230', '–', '+3.14')
    """
    if value is None or not math.isfinite(value):
        return UNKNOWN
    rounded = round(value, places) if places < 0 else value
    return f"{rounded:{'+' if sign else ''}z.{max(places, 0)}f}"


def between(low: float, high: float, figures: int = 3, sign: str = " to ") -> str:
    """An interval that is not even about its value.

    Args:
        low: its lower end.
        high: its upper end.
        figures: digits of both.
        sign: what stands between them.

    Returns:
        The two ends.

    >>> between(6.176, 6.8)
    '6.18 to 6.80'
    """
    return f"{digits(low, figures)}{sign}{digits(high, figures)}"


def minus(text: str) -> str:
    """A number for a page, with the minus sign of print.

    Args:
        text: of the number.

    Returns:
        The same with a true minus.

    >>> minus("-0.46 ± 0.03")
    '−0.46 ± 0.03'
    """
    return text.replace("-", "−")


def span_name(stages: Sequence[str], from_node: str, to_node: str) -> str:
    """What a span is called: its stages, or its two nodes where no budget names them.

    Args:
        stages: names of the stages that it lumps.
        from_node: where it begins.
        to_node: where it ends.

    Returns:
        The name.

    >>> span_name(("bar", "bar to case"), "bar", "case"), span_name((), "bar", "case")
    ('bar + bar to case', 'bar – case')
    """
    return " + ".join(stages) if stages else f"{from_node} – {to_node}"


def _power(value: float, figures: int) -> int:
    """Power of ten of a value's first digit, once rounded to so many."""
    return int(f"{value:.{figures - 1}e}".split("e")[1])
