"""Plans of several sources: what is promised is what a run of the same product then states."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from fit.errors import BudgetError, RigError
from fit.measurement.branches import measure_branches
from fit.output.plan_document import plan_document
from fit.planning.bench import Bench, read_bench, typical_bench
from fit.planning.experiment import Plan, plan
from fit.planning.forward_voltage import ForwardVoltage
from fit.records.results import to_json
from tests.support.made_trees import NODES, budget, in_a_row, made_run

BOTH, LAST = frozenset({"charger", "driver"}), frozenset({"driver"})
RIG = """
schema = 1
[[channel]]
node = "tab_1"
[[channel]]
node = "bar"
[sequence]
soak_s = 60
"""
PHASES = 'phases = [{ on = ["charger", "driver"], for_s = 900 }, { on = ["driver"], for_s = 300 }]'


def bench(*phases: tuple[frozenset[str], float]) -> Bench:
    """As the made runs are measured: a scan a second, 0.03 K of noise, no rounding, no lag."""
    return Bench(
        nodes=NODES,
        interval_s=1.0,
        soak_s=60.0,
        heat_s=sum(for_s for _, for_s in phases),
        noise_K=0.03,
        step_K=0.0,
        phases=phases,
    )


@cache
def planned() -> Plan:
    return plan(budget(), bench((BOTH, 600.0), (LAST, 600.0)))


def test_the_uncertainties_promised_are_those_that_runs_then_state() -> None:
    """Of three runs of the simulator, of other noise, in the geometric mean: to a third."""
    stated = []
    for seed in (1, 2, 3):
        spans = measure_branches(made_run(noise_K=0.03, seed=seed), budget()).spans
        stated.append(np.log(np.sqrt(np.diag(spans.total_covariance))))
    promised = np.array([span.u_K_per_W for span in planned().spans])
    apart = np.log(promised) - np.mean(stated, axis=0)
    inner = [span.to_node != "ambient" for span in planned().spans]
    assert np.abs(apart[inner]).max() < np.log(4 / 3)


def test_every_branch_is_decided_and_when_is_said() -> None:
    when = {(span.from_node, span.to_node): span.decided_after_s for span in planned().spans}
    assert when["back_1", "bar"] is not None
    assert when["back_1", "bar"] < 600.0
    assert when["case", "ambient"] is None


def test_what_stays_open_is_said_with_its_reason() -> None:
    (said,) = [text for text in planned().warnings if text.startswith("case to air")]
    assert "is not decided by the end of the phases, because of " in said


def test_without_the_bead_at_a_source_the_stage_below_is_not_measured() -> None:
    (tab,) = [one for one in planned().thermocouples if one.node == "tab_1"]
    assert (tab.worth, tab.stage) == (np.inf, "vias 1")
    assert "tab_1 - back_1" not in tab.u_without
    assert tab.u_without["back_2 - bar"] > 0


def test_sources_that_are_only_on_together_are_less_sure() -> None:
    together = plan(budget(), bench((BOTH, 1200.0)))
    pads = [
        {(one.from_node, one.to_node): one.u_K_per_W for one in found.spans}["back_1", "bar"]
        for found in (planned(), together)
    ]
    assert pads[1] > 1.2 * pads[0]


def test_the_document_is_that_of_any_plan() -> None:
    assert len(to_json(plan_document(planned()))) > 100


def test_a_bench_of_no_rig_switches_one_source_off_after_another() -> None:
    assert typical_bench(budget()).phases == ((BOTH, 3600.0), (LAST, 3600.0))


def test_another_length_keeps_the_phases_in_proportion() -> None:
    longer = bench((BOTH, 600.0), (LAST, 300.0)).heating_for(1800.0)
    assert longer.phases == ((BOTH, 1200.0), (LAST, 600.0))


def read(folder: Path, text: str) -> Bench:
    path = folder / "rig.toml"
    path.write_text(text)
    return read_bench(path, budget())


def test_the_phases_are_the_rigs(tmp_path: Path) -> None:
    found = read(tmp_path, RIG + PHASES)
    assert (found.phases, found.heat_s) == (((BOTH, 900.0), (LAST, 300.0)), 1200.0)


@pytest.mark.parametrize(
    ("was", "is_now", "said"),
    [
        ('["driver"]', '["fan"]', "sequence: phases: 2: on: ['fan'] will not do"),
        ("300 }", "-1 }", "sequence: phases: 2: for_s: -1 will not do"),
    ],
)
def test_phases_that_will_not_do_are_refused(
    tmp_path: Path, was: str, is_now: str, said: str
) -> None:
    with pytest.raises(RigError) as refused:
        read(tmp_path, RIG + PHASES.replace(was, is_now))
    assert said in str(refused.value)


def test_a_tree_without_heat_capacities_is_refused() -> None:
    stages = tuple(replace(stage, C_J_per_K=None) for stage in budget().stages)
    with pytest.raises(BudgetError, match="no stage states its C_J_per_K"):
        plan(replace(budget(), stages=stages))


def test_two_sources_on_one_path_are_planned() -> None:
    found = plan(in_a_row(), heat_s=2400.0)
    assert [span.resolved for span in found.spans] == [True, True, True]


def test_a_junction_of_several_sources_is_said_not_to_be_planned() -> None:
    voltage = ForwardVoltage("junction_1", cool_s=600.0)
    (said,) = [
        one
        for one in plan(budget(), replace(planned().bench, voltage=voltage)).warnings
        if "'junction_1' by its forward voltage" in one
    ]
    assert "planned for one source only" in said
