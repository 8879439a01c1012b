"""Where each parameter of a ladder stands: of a chain, and of a tree with more links than lumps."""

from __future__ import annotations

import ast
import inspect
from dataclasses import fields

import numpy as np
import pytest

from fit.identification.ladder import settings as module
from fit.identification.ladder.layout import ParameterLayout
from fit.identification.ladder.settings import SearchSettings
from fit.network.topology import Topology, chain

TREE = Topology(
    ("chip", "tab_1", "tab_2", "bar"),
    (
        ("chip", "tab_1"),
        ("tab_1", "bar"),
        ("tab_1", "bar"),  # a screw beside the pad
        ("tab_2", "bar"),
        ("bar", "case"),
        ("tab_1", "tab_2"),  # what leaks from branch to branch
    ),
    "case",
    ("chip", "tab_2"),
)


def layout() -> ParameterLayout:
    return ParameterLayout(
        TREE, ("chip",), hot_start=True, edge_free=True, gained=("bar", "case"), faulty=True
    )


def test_blocks_follow_each_other_and_fill_the_vector() -> None:
    one = layout()
    blocks = [
        one.resistances,
        one.capacities,
        one.lags,
        one.left_over,
        one.edge,
        one.gains,
        one.fault,
    ]
    assert [block.stop - block.start for block in blocks] == [6, 4, 4, 4, 1, 2, 1]
    assert [block.start for block in blocks[1:]] == [block.stop for block in blocks[:-1]]
    assert (one.resistances.start, one.size, len(one.names)) == (0, 22, 22)


def test_the_spans_of_a_tree_are_the_links_that_begin_at_measured_nodes() -> None:
    assert layout().spans.tolist() == [1, 2, 3, 4, 5]
    assert layout().measured.tolist() == [1, 2, 3]


def test_what_is_packed_is_read_back() -> None:
    one = layout()
    R, C = np.linspace(0.5, 3.0, 6), np.linspace(1.0, 9.0, 4)
    lag_s, left_over = np.array([0.1, 0.2, 0.3, 0.4]), np.array([1.0, -2.0, 3.0, 0.0])
    g = one.pack(R, C, lag_s, left_over, -0.3)
    assert one.resistance(g) == pytest.approx(R)
    assert one.capacity(np.stack((g, g)))[1] == pytest.approx(C)
    assert (g[one.lags], g[one.left_over]) == (pytest.approx(lag_s), pytest.approx(left_over))
    assert g[one.edge].tolist() == [-0.3]


def test_a_hidden_lump_is_held_by_its_time_constant() -> None:
    one = layout()
    g = one.pack(np.full(6, 2.0), np.full(4, 3.0), np.ones(4), np.zeros(4), 0.0)
    moved = g.copy()
    moved[0] += np.log(10.0)  # its resistance tenfold
    assert moved[one.capacities][0] == pytest.approx(np.log(6.0))
    assert one.capacity(moved)[0] == pytest.approx(0.3)


def test_a_larger_ladder_takes_over_what_a_smaller_one_found() -> None:
    small = ParameterLayout(chain(["tab", "bar", "case"]))
    large = ParameterLayout(chain(["chip", "tab", "bar", "case"]), ("chip",), edge_free=True)
    found = small.pack(np.array([1.0, 2.0]), np.array([3.0, 4.0]), np.ones(3), np.zeros(2), 0.0)
    start = np.full(large.size, -9.0)
    taken = large.taken_over(start, small, found)
    known = dict(zip(large.names, taken, strict=True))
    assert known["resistances", "bar", "case", 0] == pytest.approx(np.log(2.0))
    assert known["capacities", "tab"] == pytest.approx(np.log(3.0))
    assert known["lags", "case"] == 1.0
    assert [known[name] for name in (("capacities", "chip"), ("edge",))] == [-9.0, -9.0]


def test_every_setting_of_the_search_has_its_reason() -> None:
    """A reason stands below the setting, or below the group that it closes."""
    (body,) = [
        node.body
        for node in ast.walk(ast.parse(inspect.getsource(module)))
        if isinstance(node, ast.ClassDef)
    ]
    waiting, groups = [], 0
    for node in body[1:]:
        if isinstance(node, ast.AnnAssign):
            waiting.append(node)
        else:
            assert isinstance(node, ast.Expr)
            assert len(waiting) <= 2
            waiting, groups = [], groups + 1
    assert not waiting
    assert groups > len(fields(SearchSettings)) / 2
