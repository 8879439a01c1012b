"""A junction of one of several sources held against its budget: its own decision and causes."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from io import StringIO

import pytest
from rich.console import Console

from fit.assessment.branch_conformity import check_branches, check_run
from fit.assessment.conformity import SpanVerdict, Verdict
from fit.output.documents import check_document
from fit.output.terminal.check import print_verdict
from fit.records.results import to_json
from tests.fit.measurement.test_branch_junction import COOL_S, OFF_S, by_thermocouples, made, run_of
from tests.support.made_branch_junctions import chip_run, chip_stage


@cache
def against(stated_share: float = 1.0) -> Verdict:
    """Held against a budget that states so much of what its chip truly has."""
    one = made()
    stages = one.tree.budget.stages
    own = chip_stage(one.node, one.tab, stated_share * one.true_K_per_W)
    return check_run(run_of(), replace(one.tree.budget, stages=(own, *stages[1:])))


@cache
def loose() -> Verdict:
    """The bead on its tab misses three tenths of its rise."""
    one = made()
    sensors = one.tree.sensors
    tab = replace(sensors[one.tab], low_reading=0.3)
    missed = replace(one, tree=replace(one.tree, sensors={**sensors, one.tab: tab}))
    return check_run(chip_run(missed, OFF_S, cool_s=COOL_S), one.tree.budget)


def its_own(verdict: Verdict) -> SpanVerdict:
    (span,) = (one for one in verdict.spans if one.from_node == "junction_1")
    return span


def test_a_sound_junction_conforms_and_nothing_is_accused() -> None:
    assert its_own(against()).decision == "conforming"
    assert its_own(against()).stages == ("die",)
    assert not any(finding.lead for finding in against().findings)


def test_too_high_a_resistance_under_the_die_does_not_conform_and_leads() -> None:
    verdict = against(0.6)
    assert its_own(verdict).decision == verdict.decision == "non-conforming"
    lead = verdict.findings[0]
    assert (lead.kind, lead.where, lead.lead) == ("high-resistance", "die", True)
    assert "data sheet" in lead.steps[0]


def test_the_other_spans_are_decided_as_without_windows() -> None:
    before = check_branches(by_thermocouples(), made().tree.budget)
    decided = {(one.from_node, one.to_node): one.decision for one in before.spans}
    assert decided.pop(("junction_1", "tab_1")) == "undecided"
    after = {(one.from_node, one.to_node): one.decision for one in against(0.6).spans}
    assert after.pop(("junction_1", "tab_1")) == "non-conforming"
    assert after == decided


def test_a_junction_calibrated_by_a_loose_bead_is_neither_accused_nor_called_conforming() -> None:
    lead = loose().findings[0]
    assert (lead.kind, lead.where) == ("sensor-placement", "tab_1")
    assert its_own(loose()).decision == "undecided"
    assert "die" not in {finding.where for finding in loose().findings}


def test_the_document_has_its_span_its_source_and_how_it_was_read() -> None:
    document = json.loads(to_json(check_document(against())))
    assert document["spans"][0]["from"] == "junction_1"
    assert document["spans"][0]["sources"] == ["charger"]
    assert document["junction"]["node"] == "junction_1"
    assert document["junction"]["calibrated_by"] == "cool-down"


def test_a_watt_warms_the_junction_by_its_drop_more_than_its_tab() -> None:
    found_sources = against().sources
    assert found_sources is not None
    rise = dict(zip(found_sources.nodes, found_sources.matrix_K_per_W.tolist(), strict=True))
    own, other = (rise["junction_1"][s] - rise["tab_1"][s] for s in range(2))
    # Per electrical watt: 0.97 of it takes the path.
    assert own == pytest.approx(0.97 * made().true_K_per_W, rel=0.03)
    assert other == pytest.approx(0.0, abs=1e-9)


def test_the_terminal_says_how_it_was_read() -> None:
    console = Console(file=StringIO(), width=200)
    print_verdict(console, against())
    said = console.file.getvalue()  # type: ignore[attr-defined]
    assert "junction_1 by its forward voltage" in said
    assert "K above the tab_1" in said


def test_reciprocity_is_of_the_nodes_that_thermocouples_read() -> None:
    with_it = against().sources
    before = check_branches(by_thermocouples(), made().tree.budget).sources
    assert with_it is not None
    assert before is not None
    (pair,), (same,) = with_it.reciprocity, before.reciprocity
    assert pair[:2] == same[:2]
    assert pair[2] == pytest.approx(same[2], abs=0.01)
