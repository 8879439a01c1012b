"""A product of several parts against its budget: the right cause at the right place, or none."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from fit.assessment.branch_conformity import check_branches
from fit.assessment.conformity import Verdict
from fit.identification.tree.reciprocity import asymmetry, reciprocity
from fit.measurement.branches import Branches, measure_branches
from fit.output.documents import check_document
from fit.output.report.rows import AGREE
from tests.benchmarks.random_trees import KINDS, Tree, random_tree, record
from tests.support.made_trees import (
    POWER_W,
    budget,
    made_run,
    prototype,
    steady_degC,
    without,
)

HEAT_S = 180.0
SEEDS = (3001, 3002)  # products of two parts
QUIET_K = 0.005  # noise of a good reader


@cache
def checked(seed: int, fault: str) -> tuple[Tree, Verdict]:
    tree = random_tree(seed, fault)
    branches = measure_branches(record(tree, HEAT_S), tree.budget)
    return tree, check_branches(branches, tree.budget)


@cache
def until_settled(case_K_per_W: float = 4.0) -> Verdict:
    """The made product heated for five time constants of its case, two and a half of a bad one."""
    run = made_run(prototype(case=case_K_per_W), (4000, 4180), end_s=4360, noise_K=0.03)
    return check_branches(measure_branches(run, budget()), budget())


@cache
def quiet(charger_reads: float = 1.0, driver_reads: float = 1.0) -> Branches:
    reads = charger_reads, driver_reads
    run = made_run(noise_K=QUIET_K, reads=reads)
    return measure_branches(run, budget())


@pytest.mark.parametrize(
    ("fault", "seed"),
    [
        *((fault, seed) for fault in ("pad", "vias", "power", "sharing") for seed in SEEDS),
        ("sensor", SEEDS[1]),  # takes as long as six of the others
    ],
)
def test_one_fault_is_the_lead_at_its_place(fault: str, seed: int) -> None:
    tree, verdict = checked(seed, fault)
    lead = verdict.findings[0]
    assert lead.lead
    assert lead.kind == KINDS[fault]
    assert lead.where == (tree.where or "power")


@pytest.mark.parametrize("seed", SEEDS)
def test_nothing_is_accused_in_a_sound_product(seed: int) -> None:
    _, verdict = checked(seed, "none")
    assert not any(finding.lead for finding in verdict.findings)
    inner = [span.decision for span in verdict.spans if span.to_node != "ambient"]
    assert set(inner) == {"conforming"}


@pytest.mark.parametrize("seed", SEEDS)
def test_a_cause_is_named_once_at_its_place(seed: int) -> None:
    """One power that is off, and watts of one read as another's, are one finding."""
    _, verdict = checked(seed, "sharing")
    said = [(finding.kind, finding.where) for finding in verdict.findings]
    assert len(said) == len(set(said))


@pytest.mark.parametrize("fault", ["pad", "vias"])
@pytest.mark.parametrize("seed", SEEDS)
def test_only_the_faulty_span_does_not_conform(fault: str, seed: int) -> None:
    tree, verdict = checked(seed, fault)
    over = [span.stages for span in verdict.spans if span.decision == "non-conforming"]
    assert len(over) == 1
    assert tree.where in over[0]


def test_a_sound_product_that_settled_conforms_without_a_finding() -> None:
    assert until_settled().decision == "conforming"
    assert until_settled().findings == ()


def test_a_case_that_cools_badly_is_named() -> None:
    lead = until_settled(8.0).findings[0]
    assert (lead.kind, lead.where, lead.lead) == ("weak-cooling", "case to air", True)
    assert until_settled(8.0).decision == "non-conforming"


def test_what_each_source_warms_is_what_the_balances_of_the_nodes_give() -> None:
    found = until_settled().sources
    assert found is not None
    assert found.above == "ambient"
    for column, power in enumerate(((1.0, 0.0), (0.0, 1.0))):
        true = steady_degC(power)
        expected = [true[node] - 25.0 for node in found.nodes]
        assert found.matrix_K_per_W[:, column] == pytest.approx(expected, rel=0.02)


def test_without_ambient_the_matrix_stands_on_the_case() -> None:
    run = without(made_run(off_s=(150, 300), end_s=300.0, noise_K=QUIET_K), "ambient")
    found = check_branches(measure_branches(run, budget()), budget()).sources
    assert found is not None
    assert (found.above, found.nodes[-1]) == ("case", "case")
    assert found.matrix_K_per_W[-1].tolist() == [0.0, 0.0]


def test_matrix_is_per_electrical_watt() -> None:
    """A share of 0.8 on the path: 0.8 of the rise per watt of a product that is the same."""
    sources = budget().named_sources
    shared = replace(budget(), named_sources=(sources[0], replace(sources[1], path_fraction=0.8)))
    run = made_run(off_s=(150, 300), end_s=300.0, noise_K=QUIET_K, reads=(1.0, 1 / 0.8))
    found = check_branches(measure_branches(run, shared), shared).sources
    assert found is not None
    at = found.nodes.index("tab_2")
    case = steady_degC((0.0, 1.0))["case"]
    inner = steady_degC((0.0, 1.0))["tab_2"] - case
    above = found.matrix_K_per_W[at, 1] - found.matrix_K_per_W[found.nodes.index("case"), 1]
    assert above == pytest.approx(0.8 * inner, rel=0.01)


def reciprocal_z(found: Branches) -> float:
    ((_, z),) = reciprocity(found.fitted, found.spans.topology.sources).items()
    return z


def test_sources_warm_each_other_alike_where_readings_are_right() -> None:
    assert abs(reciprocal_z(quiet())) < AGREE


@pytest.mark.parametrize("reads", [(1.0, 0.75), (0.85, 1.24), (1.0, 1.03)])
def test_sources_do_not_warm_each_other_alike_where_a_power_reads_wrong(
    reads: tuple[float, float],
) -> None:
    assert abs(reciprocal_z(quiet(*reads))) > AGREE


def test_how_far_the_record_is_from_reciprocal_is_how_far_a_power_is_off() -> None:
    """Z_ab / Z_ba reads 1/0.75: (1 + γ)/(1 − γ), so γ = 1/7."""
    gamma, u = asymmetry(quiet(1.0, 0.75).fitted, 0, 1)
    assert gamma == pytest.approx(1 / 7, abs=3 * u)
    assert u < 0.01


def test_what_the_powers_are_unsure_by_makes_no_reading_wrong() -> None:
    """A power 3 % off whose meter is stated to 2 %."""
    found = quiet(1.0, 1.03)
    entering = found.spans.topology.sources
    ((_, z),) = reciprocity(found.fitted, entering, {(0, 1): 0.02 * 2**0.5}).items()
    assert abs(z) < AGREE


def test_a_pair_of_sources_behind_one_bead_has_no_reciprocity() -> None:
    assert reciprocity(quiet().fitted, ("bar", "bar")) == {}
    assert reciprocity(quiet().fitted, ("case", "bar")) == {}


def test_document_says_whose_heat_each_span_carries_and_what_warms_what() -> None:
    found: dict[str, Any] = check_document(until_settled())
    heat = {span["from"]: span["sources"] for span in found["spans"]}
    assert heat["back_1"] == ["charger"]
    assert heat["tab_2"] == ["driver"]
    assert heat["bar"] == ["charger", "driver"]
    assert found["resistance_matrix"]["sources"] == ["charger", "driver"]
    assert np.shape(found["resistance_matrix"]["K_per_W"]) == (6, 2)
    (pair,) = found["reciprocity"]
    assert pair["sources"] == ["charger", "driver"]
    assert found["sources"]["driver"]["power_W"] == pytest.approx(POWER_W[1])
