"""Identification of a run as it comes."""

from __future__ import annotations

import numpy as np
import pytest

from fit.identification.identify import identify
from fit.measurement.streaming import Follower, _averaged
from tests.fit.identification.test_response import A_K_PER_W, made_run

MOST_ROWS = 16_384  # scans kept, as the documentation states


def followed(scans: int) -> Follower:
    run = made_run()
    follower = Follower(run.nodes)
    for t, row, power in zip(
        run.t_s[:scans], run.temperature_degC[:scans], run.power[:scans], strict=True
    ):
        follower.add(float(t), row, float(power))
    return follower


def test_nothing_is_estimated_before_the_power_is_on() -> None:
    assert followed(100).estimate() is None


def test_it_agrees_with_the_identification_of_the_whole_record() -> None:
    live, whole = followed(2400).estimate(), identify(made_run())
    assert live is not None
    assert live.total_K_per_W == pytest.approx(whole.total_K_per_W, rel=0.005)
    assert live.total_K_per_W == pytest.approx(A_K_PER_W.sum(axis=1), rel=0.01)


def test_what_it_keeps_stays_bounded_while_the_record_grows() -> None:
    follower = Follower(("tab", "ambient"))
    for i in range(3 * MOST_ROWS):
        follower.add(float(i), [25.0, 20.0], 0.0 if i < 60 else 4.0)
    assert len(follower.record().t_s) <= MOST_ROWS


def test_a_long_record_is_averaged_in_pairs_without_the_missing_readings() -> None:
    follower = Follower(("tab", "ambient"))
    for t in range(MOST_ROWS + 1):
        follower.add(float(t), [np.nan if t == 2 else float(t), 20.0], 3.0)
    run = follower.record()
    assert run.t_s[:3].tolist() == [0.5, 2.5, 4.5]
    assert run.temperature_degC[:3, 0].tolist() == [0.5, 3.0, 4.5]


def test_scans_before_and_after_a_power_step_are_not_averaged() -> None:
    follower = Follower(("tab", "ambient"))
    for t in range(MOST_ROWS + 1):
        follower.add(float(t), [20.0, 20.0], 0.0 if t < 61 else 3.0)
    assert set(follower.record().power) == {0.0, 3.0}


def test_the_accuracy_that_the_run_states_is_in_the_spans() -> None:
    run = made_run()
    plain, stated = (
        Follower(run.nodes, document=document)
        for document in (None, {"sensors": {"tab": {"match_u": 0.01}}})
    )
    for t, row, power in zip(run.t_s, run.temperature_degC, run.power, strict=True):
        plain.add(float(t), row, float(power))
        stated.add(float(t), row, float(power))
    without, with_it = plain.spans(), stated.spans()
    assert without is not None
    assert with_it is not None
    assert not np.any(without.covariance["sensor_match"])
    assert with_it.covariance["sensor_match"][0, 0] > 0


def test_a_repeated_time_is_left_out() -> None:
    follower = followed(200)
    before = len(follower.record().t_s)
    follower.add(199.0, [20.0, 20.0, 20.0], 4.0)
    assert len(follower.record().t_s) == before


def test_a_wrong_number_of_temperatures_is_refused() -> None:
    with pytest.raises(ValueError, match="2 temperatures for 3 nodes"):
        followed(10).add(1e6, [1.0, 2.0], 0.0)


def test_spans_stand_until_the_scans_have_grown_by_three_per_cent() -> None:
    follower = followed(1200)
    first = follower.spans()
    assert first is not None
    inner = A_K_PER_W[0].sum() - A_K_PER_W[1].sum()
    assert first.R_K_per_W[0] == pytest.approx(inner, rel=0.1)
    run = made_run()
    for i in range(1200, 1237):
        if i == 1235:
            assert follower.spans() is first
        follower.add(float(run.t_s[i]), run.temperature_degC[i], float(run.power[i]))
    assert follower.spans() is not first


def test_there_are_no_spans_before_the_power_is_on() -> None:
    assert followed(100).spans() is None


def test_rows_of_a_like_power_are_joined_and_a_missing_reading_is_its_neighbours() -> None:
    """4.0 and 4.19 W are alike within 5 % of the largest, 4.19 and 4.42 W are not."""
    nan = float("nan")
    rows = np.array([
        [0.0, 4.0, 20.0], [1.0, 4.19, nan], [2.0, 4.19, nan], [3.0, 4.42, 24.0], [4.0, 4.42, 26.0],
    ])  # fmt: skip
    expected = np.array([[0.5, 4.095, 20.0], [2.0, 4.19, nan], [3.5, 4.42, 25.0]])
    assert _averaged(rows) == pytest.approx(expected, nan_ok=True)
