"""While logging the same is said as of the finished record."""

from __future__ import annotations

from pathlib import Path

import pytest

from fit.assessment.branch_conformity import check_run
from fit.assessment.conformity import check
from fit.assessment.live import LiveJudge, verdict_so_far
from fit.budget import read_budget
from fit.measurement.spans import measure
from fit.measurement.streaming import Follower
from fit.records.run import read_run
from tests.benchmarks.field.draw import random_rig
from tests.support.made_trees import NODES, SOURCES, budget, made_run


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


def test_the_live_verdict_of_several_sources_is_that_of_check() -> None:
    run = made_run(off_s=(200.0, 350.0), end_s=400.0, noise_K=0.02)
    assert run.source_power is not None
    follower = Follower(NODES, sources=SOURCES)
    for t_s, reading, powers in zip(run.t_s, run.temperature_degC, run.source_power, strict=True):
        follower.add(float(t_s), reading, powers)
    live, checked = verdict_so_far(follower.record(), budget()), check_run(run, budget())
    assert live is not None
    assert [one.decision for one in live.spans] == [one.decision for one in checked.spans]
    assert live.measured.R_K_per_W == pytest.approx(checked.measured.R_K_per_W)
    assert [f.probability for f in live.findings] == pytest.approx(
        [f.probability for f in checked.findings]
    )


def test_of_several_sources_there_is_no_verdict_before_the_power_is_on() -> None:
    assert verdict_so_far(made_run(on=(False, False), end_s=60.0), budget()) is None
