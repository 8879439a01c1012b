"""Runs of several sources side by side: spans are told by their two ends, not by their order."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fit.errors import NotIdentifiable
from fit.measurement.spans import Spans
from fit.network.topology import Link, Topology
from fit.statistics.comparison import MeasuredRun, compare, measure_run
from tests.support.made_trees import made_run

ENDS: tuple[Link, ...] = (("one", "bar"), ("two", "bar"), ("bar", "case"), ("case", "ambient"))


def run(
    name: str, R_K_per_W: tuple[float, ...], ends: tuple[Link, ...] = ENDS, rig: str | None = None
) -> MeasuredRun:
    """A measured tree, each span known to 1 % by its fit and, by the power, to 2 % of itself."""
    R = np.array(R_K_per_W)
    nodes = tuple(start for start, _ in ends)
    tree = Topology(nodes, ends, ends[-1][1], ("one", "two"))
    spans = Spans(
        nodes=(*nodes, ends[-1][1]),
        R_K_per_W=R,
        covariance={"fit": np.diag((0.01 * R) ** 2), "power": 0.02**2 * np.outer(R, R)},
        power_W=6.5,
        final_degC=np.full(len(R) + 1, 25.0),
        settled=True,
        warnings=(),
        faults=(),
        tree=tree,
    )
    return MeasuredRun(Path(name), name, spans, rig)


def test_every_branch_is_held_against_itself() -> None:
    found = compare([run("before", (2.0, 3.0, 0.5, 4.0)), run("after", (2.0, 4.5, 0.5, 4.0))])
    changes = {(one.from_node, one.to_node): one.readings[1].change for one in found.spans}
    assert changes["two", "bar"] == "higher"
    assert [change for ends, change in changes.items() if ends != ("two", "bar")] == 3 * [
        "none seen"
    ]
    differences = [one.readings[1].difference_K_per_W for one in found.spans]
    assert differences == pytest.approx([0.0, 1.5, 0.0, 0.0])


def test_a_node_missing_in_one_run_lumps_the_spans_at_it_in_the_others() -> None:
    """3 + 0.5 K/W from `two` past the bar to the case, and 2 + 0.5 from `one`."""
    without = (("one", "case"), ("two", "case"), ("case", "ambient"))
    found = compare([run("all", (2.0, 3.0, 0.5, 4.0)), run("no bar", (2.5, 3.5, 4.0), without)])
    spans = {(one.from_node, one.to_node): one for one in found.spans}
    assert list(spans) == [("one", "case"), ("two", "case"), ("case", "ambient")]
    assert spans["two", "case"].readings[0].R_K_per_W == pytest.approx(3.5)
    assert spans["one", "case"].readings[1].difference_K_per_W == pytest.approx(0.0)


def test_power_that_a_rig_reads_wrong_cancels_in_every_branch() -> None:
    runs = [run(name, (2.0, 3.0, 0.5, 4.0), rig="one rig") for name in ("before", "after")]
    for one in compare(runs).spans:
        u = one.readings[1].difference_u_K_per_W / one.readings[1].R_K_per_W
        assert u == pytest.approx(0.01 * np.sqrt(2))


def test_trees_whose_branches_meet_otherwise_are_refused() -> None:
    other = (("one", "bar"), ("bar", "two"), ("two", "case"), ("case", "ambient"))
    runs = [run("before", (2.0, 3.0, 0.5, 4.0)), run("after", (2.0, 3.0, 0.5, 4.0), other)]
    with pytest.raises(NotIdentifiable) as caught:
        compare(runs)
    assert str(caught.value).startswith("after: ")
    assert "\n" not in str(caught.value)


def test_several_sources_need_the_budget_that_says_how_they_meet() -> None:
    bare = replace(made_run(off_s=(30, 60), end_s=60.0), path=Path("bare.csv"))
    with pytest.raises(NotIdentifiable, match="records 2 sources, and how their branches meet"):
        measure_run(bare)
