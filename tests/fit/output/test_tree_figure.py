"""The figure of a path with branches: every node in its place, every span with its figures."""

from __future__ import annotations

import pytest
from matplotlib.figure import Figure

from fit.measurement.resolution import NOT_RESOLVED
from fit.output.figures.tree import LONGEST_NAME, tree_figure
from fit.output.path_view import PathNode, PathSpan, PathView

ENDS = (
    ("tab_1", "bar"),
    ("tab_2", "bar"),
    ("tab_3", "case"),
    ("bar", "case"),
    ("case", "ambient"),
)


def view(**changes: object) -> PathView:
    """Two parts meet on a bar, a third on the case; `bar={...}` changes the span from there."""
    names = ("tab_1", "tab_2", "tab_3", "bar", "case", "ambient")
    nodes = tuple(PathNode(name, 50.0 - i, 0.1) for i, name in enumerate(names))
    spans = []
    for start, end in ENDS:
        own: dict[str, object] = {
            "stages": (f"pad {start}",),
            "measured_K_per_W": 0.8,
            "measured_u_K_per_W": 0.01,
            "decision": "conforming",
        }
        found = changes.get(start, {})
        assert isinstance(found, dict)
        spans.append(PathSpan(start, end, **(own | found)))
    return PathView(nodes, tuple(spans))


def texts(figure: Figure) -> dict[str, tuple[float, float]]:
    """Every text with its place."""
    return {one.get_text(): one.get_position() for one in figure.axes[0].texts}


def test_every_node_and_every_span_is_named() -> None:
    shown = texts(tree_figure(view()))
    assert {node.name for node in view().nodes} <= set(shown)
    assert {span.name for span in view().spans} <= set(shown)


def test_branches_stand_side_by_side_and_meet_below() -> None:
    at = texts(tree_figure(view()))
    x = {name: at[name][0] for name in ("tab_1", "tab_2", "tab_3", "bar", "case", "ambient")}
    y = {name: at[name][1] for name in x}
    assert x["tab_1"] < x["tab_2"] < x["tab_3"]
    assert x["bar"] == x["case"] == x["ambient"] == x["tab_1"]
    assert y["tab_1"] == y["tab_2"] > y["bar"] == y["tab_3"] > y["case"] > y["ambient"]


def test_only_a_span_over_its_limit_is_drawn_as_one() -> None:
    over = tree_figure(view(tab_2={"decision": "non-conforming"}))
    widths = [line.get_linewidth() for line in over.axes[0].lines if line.get_marker() == "None"]
    assert sorted(widths) == [2, 2, 2, 2, 4]


@pytest.mark.parametrize("change", [{"resolved": False}, {"measured_K_per_W": None}])
def test_a_span_that_measures_nothing_says_so(change: dict[str, object]) -> None:
    figure = tree_figure(view(bar=change))
    assert [one.get_text() for one in figure.axes[0].texts].count(NOT_RESOLVED) == 1
    styles = [line.get_linestyle() for line in figure.axes[0].lines]
    assert styles.count("--") == 1


def test_a_long_name_is_cut_before_the_next_branch() -> None:
    long = "a pad whose name has no end to it"
    shown = texts(tree_figure(view(tab_1={"stages": (long,)})))
    assert long not in shown
    assert f"{long[: LONGEST_NAME - 1]}…" in shown
