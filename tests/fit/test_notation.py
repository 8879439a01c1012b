"""How values are written: two digits of the interval, value to the same place, no -0, no nan."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fit.notation import UNKNOWN, digits, fixed, with_expanded

values = st.floats(-1e5, 1e5)
uncertainties = st.floats(1e-6, 1e4)
NEGATIVE_ZERO = re.compile(r"-0(\.0*)?(?![.\d])")


def places(number: str) -> int:
    return len(number.partition(".")[2])


@given(values, uncertainties)
def test_value_and_interval_end_at_the_same_place(value: float, u: float) -> None:
    shown, interval = with_expanded(value, u).split(" ± ")
    assert places(shown) == places(interval)


@given(values, uncertainties)
def test_the_interval_has_two_significant_digits(value: float, u: float) -> None:
    interval = with_expanded(value, u).split(" ± ")[1]
    significant = interval.replace(".", "").lstrip("0")
    assert len(significant) == 2 or set(significant[2:]) == {"0"}


@given(values, uncertainties)
def test_what_is_shown_lies_within_half_a_last_digit(value: float, u: float) -> None:
    shown, interval = with_expanded(value, u).split(" ± ")
    half = 0.5 * 10.0 ** (math.floor(math.log10(float(interval))) - 1)
    assert abs(float(shown) - value) <= 1.001 * half
    assert abs(float(interval) - 2 * u) <= 1.001 * half


def test_the_rounding_of_doubles_is_no_interval() -> None:
    assert with_expanded(424.999999999999943, 3.6e-14) == "425"


@given(values, uncertainties, st.integers(-3, 6))
def test_nothing_is_negative_zero(value: float, u: float, to: int) -> None:
    for text in (with_expanded(value, u), digits(value), fixed(value, to)):
        assert not NEGATIVE_ZERO.match(text)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_not_known_is_a_dash(value: float) -> None:
    shown = {with_expanded(value, 0.1), with_expanded(1.0, value), digits(value), fixed(value, 2)}
    assert shown == {UNKNOWN}


@pytest.mark.parametrize(
    ("value", "shown"), [(0.9, "0.900"), (0.75, "0.750"), (4.0, "4.00"), (1000.0, "1000")]
)
def test_zeros_that_are_significant_are_kept(value: float, shown: str) -> None:
    assert digits(value) == shown
