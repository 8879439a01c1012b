"""Working precision of the conversion: doubled until two results agree, refused beyond."""

from __future__ import annotations

from decimal import Decimal, DivisionByZero, getcontext

import pytest

from fit.network.foster_cauer import _agree, _until_stable, foster_to_cauer, positive, same_length

EVERY = [60, 120, 240, 480, 960, 1920, 3840, 7680]
"""Digits: 60, doubled seven times."""


def test_a_result_counts_when_twice_the_digits_give_it_again():
    digits = []

    def known():
        digits.append(getcontext().prec)
        return [Decimal(2)], [Decimal(3)]

    R, C = _until_stable(known)
    assert (R.tolist(), C.tolist()) == ([2.0], [3.0])
    assert digits == EVERY[:2]


def test_a_result_that_cancels_out_at_few_digits_is_looked_for_at_more():
    """A division by what has cancelled to nothing: up to 240 digits, so that 960 settles it."""
    digits = []

    def cancelling():
        digits.append(getcontext().prec)
        if digits[-1] < 480:
            raise DivisionByZero
        return [Decimal(2)], [Decimal(3)]

    assert _until_stable(cancelling)[0].tolist() == [2.0]
    assert digits == EVERY[:5]


def test_results_that_never_agree_are_refused_at_the_most_digits():
    digits = []

    def wandering():
        digits.append(getcontext().prec)
        return [Decimal(digits[-1])], [Decimal(1)]

    with pytest.raises(ValueError, match="too close together"):
        _until_stable(wandering)
    assert digits == EVERY


@pytest.mark.parametrize(
    ("off", "alike"), [("0", True), ("1.9e-18", True), ("-1.9e-18", True), ("2.1e-18", False)]
)
def test_results_agree_to_a_part_in_ten_to_the_eighteen(off, alike):
    """Of 2: by 2e-18."""
    assert _agree([Decimal(2) + Decimal(off)], [Decimal(2)]) is alike


def test_a_result_that_is_not_positive_is_none():
    assert not _agree([Decimal(-2)], [Decimal(-2)])
    assert not _agree([Decimal(0)], [Decimal(0)])


def test_one_term_is_its_own_ladder():
    """C = tau / R."""
    R, C = foster_to_cauer(2.0, 10.0)
    assert (R.tolist(), C.tolist()) == ([2.0], [5.0])


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ([], "at least one resistance"),
        ([[1.0]], "a row of at least one"),
        ([1.0, 0.0], "not positive and finite"),
        ([1.0, float("inf")], "not positive and finite"),
        ([1.0, float("nan")], "not positive and finite"),
    ],
)
def test_what_is_no_row_of_positive_numbers_is_refused(values, said):
    with pytest.raises(ValueError, match=said):
        positive(values, "resistance")


def test_rows_of_unlike_length_are_refused_with_both():
    with pytest.raises(ValueError, match="2 values against 1"):
        same_length(positive([1.0, 2.0], "resistance"), positive([1.0], "time constant"))
