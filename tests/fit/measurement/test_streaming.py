"""Identification of a run as it comes."""

from __future__ import annotations

import numpy as np
import pytest

from fit.identification.response import identify
from fit.measurement.streaming import Follower
from tests.fit.identification.test_response import A_K_PER_W, made_run


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
    random = np.random.default_rng(1)
    follower = Follower(("tab", "ambient"))
    rows = 25 + 0.1 * random.standard_normal((30_000, 2))
    for i, row in enumerate(rows):
        follower.add(float(i), row, 0.0 if i < 60 else 4.0)
    assert len(follower.record().t_s) < 300


def test_a_block_is_the_mean_of_its_scans_without_the_missing_readings() -> None:
    follower = Follower(("tab", "ambient"))
    for t in range(401):
        tab = np.nan if t in (399, 400) else float(t)
        follower.add(float(t), [tab, 20.0], 3.0)
    run = follower.record()
    ends = np.append(run.t_s[:-1], np.nan)
    assert np.nanmax(np.abs(run.temperature_degC[:-1, 0] - ends[:-1])) < 1e-9
    assert run.temperature_degC[-1, 0] == pytest.approx(run.t_s[-1], abs=1.01)
    assert run.power == pytest.approx(3.0)


def test_a_repeated_time_is_left_out() -> None:
    follower = followed(200)
    before = len(follower.record().t_s)
    follower.add(199.0, [20.0, 20.0, 20.0], 4.0)
    assert len(follower.record().t_s) == before


def test_a_wrong_number_of_temperatures_is_refused() -> None:
    with pytest.raises(ValueError, match="2 temperatures for 3 nodes"):
        followed(10).add(1e6, [1.0, 2.0], 0.0)
