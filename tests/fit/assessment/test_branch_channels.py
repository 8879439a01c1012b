"""A thermocouple that says nothing, on a tree: named first, and nothing conforms across it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fit.assessment.branch_conformity import check_run
from fit.assessment.conformity import Verdict
from tests.benchmarks.random_trees import random_tree, record


def with_channel(node: str, how: str) -> Verdict:
    tree = random_tree(1004)
    run = record(tree, 120.0)
    readings = run.temperature_degC.copy()
    column = readings[:, run.nodes.index(node)]
    column[:] = {"stuck": column[0], "open": np.nan}[how]
    return check_run(replace(run, temperature_degC=readings), tree.budget)


@pytest.mark.parametrize(
    ("node", "how"), [("board_back_2", "stuck"), ("bar", "open"), ("tab_1", "stuck")]
)
def test_a_silent_channel_leads_and_leaves_the_product_undecided(node: str, how: str) -> None:
    verdict = with_channel(node, how)
    first = verdict.findings[0]
    assert (first.kind, first.where, first.lead) == ("sensor-placement", node, True)
    assert verdict.decision == "undecided"


def test_a_span_measured_across_a_silent_node_is_not_decided() -> None:
    spans = {span.from_node: span for span in with_channel("board_back_2", "stuck").spans}
    assert spans["tab_2"].to_node == "bar"
    assert spans["tab_2"].decision == "undecided"
    assert spans["tab_1"].decision == "conforming"
