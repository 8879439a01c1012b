"""Drift along a date or a number, and between lots; none where there is none."""

from __future__ import annotations

import numpy as np
import pytest

from fit.statistics.drift import days, find_drift

RANDOM = np.random.default_rng(4)
NOISE = 0.02 * RANDOM.standard_normal(30)


def test_a_slope_with_the_date_is_seen_with_its_uncertainty() -> None:
    found = find_drift(
        "date", [float(day) for day in range(30)], 0.6 + 0.005 * np.arange(30) + NOISE, 5
    )
    assert found is not None
    assert found.seen
    assert found.slope_K_per_W == pytest.approx(0.005, abs=3 * (found.slope_u_K_per_W or 0))
    assert found.lots == ()


def test_a_lot_that_differs_is_seen_and_lots_are_named_with_their_means() -> None:
    labels = ["A", "B", "C"] * 10
    found = find_drift("lot", labels, 0.6 + NOISE + 0.1 * (np.array(labels) == "B"), 5)
    assert found is not None
    assert found.seen
    assert [(lot.name, lot.units) for lot in found.lots] == [("A", 10), ("B", 10), ("C", 10)]
    assert found.lots[1].mean_K_per_W == pytest.approx(0.7, abs=0.03)


def test_units_that_only_scatter_drift_in_one_of_twenty_cases() -> None:
    random = np.random.default_rng(5)
    labels = [float(day) for day in range(12)]
    seen = [
        find_drift("date", labels, random.standard_normal(12), 1).seen  # type: ignore[union-attr]
        for _ in range(400)
    ]
    assert 0.02 < np.mean(seen) < 0.09


def test_several_spans_share_the_chance_of_a_false_alarm() -> None:
    y = 0.6 + 0.0014 * np.arange(30) + NOISE
    labels = [float(day) for day in range(30)]
    found = find_drift("date", labels, y, 1)
    assert found is not None
    assert 0.001 < found.p < 0.05
    assert found.seen
    beside = find_drift("date", labels, y, int(0.05 / found.p) + 1)
    assert beside is not None
    assert not beside.seen


def test_numbers_that_units_share_are_lots() -> None:
    found = find_drift("lot", [1.0, 1.0, 2.0, 2.0, 3.0, 3.0], np.arange(6.0), 1)
    assert found is not None
    assert [lot.name for lot in found.lots] == ["1", "2", "3"]


@pytest.mark.parametrize(
    "labels",
    [["A"] * 6, ["", "", "", "A", "B", ""], ["A", "B", "C", "D", "E", "F"]],
    ids=["all alike", "few labels", "each its own"],
)
def test_nothing_is_said_where_there_is_nothing_to_compare(labels: list[str]) -> None:
    assert find_drift("lot", labels, NOISE[:6], 1) is None


def test_days_count_from_the_first_that_is_known() -> None:
    assert days(["2026-03-03T00:00:00Z", "2026-03-01T12:00:00+00:00", "some day"]) == [1.5, 0.0, ""]
