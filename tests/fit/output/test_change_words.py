"""What changed, in a sentence; and whether two runs show the product mended."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from fit.output.change_words import NO_CHANGE, change_in_words, mended, sentences
from fit.statistics.comparison import compare
from tests.fit.statistics.test_comparison import AFTER, BEFORE, made_run

UNCHANGED = BEFORE


def verdict(decision):
    return SimpleNamespace(decision=decision)


def test_the_changed_span_is_named_with_its_change_and_share():
    sentence = change_in_words(compare([made_run(BEFORE), made_run(AFTER)]))
    assert "fell by" in sentence
    assert "(−" in sentence
    assert sentence.endswith("; nothing else changed")


def test_a_small_share_has_no_sign_of_its_own():
    slightly = (BEFORE[0] - 0.03, *BEFORE[1:])
    assert "K/W (under 1 %)" in change_in_words(compare([made_run(BEFORE), made_run(slightly)]))


def test_a_rise_is_told_as_one():
    assert "rose by" in change_in_words(compare([made_run(AFTER), made_run(BEFORE)]))


def test_no_change_is_not_more_than_the_runs_can_tell():
    assert change_in_words(compare([made_run(BEFORE), made_run(BEFORE)])) == NO_CHANGE


def test_of_many_runs_those_that_differ_are_named():
    told = [*sentences(compare([made_run(BEFORE), made_run(AFTER), made_run(BEFORE)]))]
    assert len(told) == 2
    assert told[1].startswith("1 of 2 runs")


@pytest.mark.parametrize(
    ("runs", "before", "after", "headline"),
    [
        ((BEFORE, AFTER), "non-conforming", "conforming", "Mended"),
        ((BEFORE, AFTER), "conforming", "conforming", "Within budget"),
        ((BEFORE, AFTER), "non-conforming", "non-conforming", "Better, and still over budget"),
        ((AFTER, BEFORE), "non-conforming", "non-conforming", "Not mended: worse than before"),
        ((BEFORE, BEFORE), "non-conforming", "non-conforming", "Not mended"),
        ((AFTER, BEFORE), "conforming", "non-conforming", "Now over budget"),
        ((BEFORE, AFTER), "non-conforming", "undecided", "Not decided whether it is mended"),
    ],
)
def test_headline_says_whether_it_is_mended(runs, before, after, headline):
    comparison = compare([made_run(run) for run in runs])
    assert mended(comparison, verdict(before), verdict(after)).headline == headline


def test_without_a_budget_only_the_change_is_told():
    comparison = compare([made_run(BEFORE), made_run(AFTER)])
    assert mended(comparison, None, None).headline == "Changed"
