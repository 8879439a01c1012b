"""While logging the same is said as of the finished record."""

from __future__ import annotations

from pathlib import Path

import pytest

from fit.assessment.conformity import check
from fit.assessment.live import LiveJudge
from fit.budget import read_budget
from fit.measurement.spans import measure
from fit.measurement.streaming import Follower
from fit.records.run import read_run
from tests.benchmarks.field.draw import random_rig


@pytest.mark.parametrize("heat_s", [90.0, 300.0])
def test_the_live_verdict_is_that_of_check(tmp_path: Path, heat_s: float) -> None:
    folder, budget_path = random_rig(3).write(tmp_path, heat_s)
    run, budget = read_run(folder), read_budget(budget_path)
    follower = Follower(run.nodes, metadata=run.metadata)
    for t_s, reading, power in zip(run.t_s, run.temperature_degC, run.power, strict=True):
        follower.add(float(t_s), reading, float(power))
    spans = follower.spans()
    assert spans is not None
    live, checked = LiveJudge(budget).verdict(spans), check(measure(run), budget)
    assert live is not None
    for one, other in zip(live.spans, checked.spans, strict=True):
        assert one.measured_K_per_W == pytest.approx(other.measured_K_per_W)
        assert one.measured_u_K_per_W == pytest.approx(other.measured_u_K_per_W)
        assert one.decision == other.decision
