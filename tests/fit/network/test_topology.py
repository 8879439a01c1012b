"""What a network's shape tells, and which shapes are refused."""

from __future__ import annotations

import numpy as np
import pytest

from fit.network.topology import Topology, chain

TREE = Topology(
    nodes=("chip", "tab", "driver", "bar", "case"),
    links=(
        ("chip", "tab"), ("tab", "bar"), ("driver", "bar"), ("bar", "case"),
        ("case", "ambient"),
    ),
    sources=("chip", "driver"),
)  # fmt: skip


def test_incidence_has_a_row_for_each_link_without_the_reference():
    assert TREE.incidence[0].tolist() == [1, -1, 0, 0, 0]
    assert TREE.incidence[4].tolist() == [0, 0, 0, 0, 1]


def test_conductance_matrix_is_what_leaves_each_node():
    G = chain(["tab", "bar", "ambient"]).conductance_matrix(np.array([2.0, 4.0]))
    assert G.tolist() == [[0.5, -0.5], [-0.5, 0.75]]


def test_an_infinite_resistance_is_an_open_link():
    G = chain(["tab", "bar", "ambient"]).conductance_matrix(np.array([2.0, np.inf]))
    assert G.sum() == 0.0


def test_many_sets_of_values_are_one_call():
    R = np.random.default_rng(1).uniform(1, 2, (7, 3, 5))
    assert np.array_equal(TREE.conductance_matrix(R)[6, 2], TREE.conductance_matrix(R[6, 2]))


def test_path_leads_to_the_reference_or_to_a_node_on_the_way():
    assert TREE.path("tab") == ("tab", "bar", "case", "ambient")
    assert TREE.path("tab", "case") == ("tab", "bar", "case")
    assert TREE.path("ambient") == ("ambient",)


def test_links_between_two_nodes_hold_those_in_parallel():
    with_screw = TREE.with_links([("tab", "bar")])
    assert with_screw.links_between("chip", "bar") == (0, 1, 5)


def test_path_to_a_node_of_another_branch_is_refused():
    with pytest.raises(ValueError, match="way from 'driver' does not pass 'tab'"):
        TREE.path("driver", "tab")


def test_upstream_nodes_are_those_whose_heat_passes():
    assert TREE.upstream("bar") == ("chip", "tab", "driver", "bar")
    assert TREE.upstream("chip") == ("chip",)


def test_links_carry_the_heat_of_the_sources_upstream():
    assert TREE.carried.tolist() == [[1, 0], [1, 0], [0, 1], [1, 1], [1, 1]]


def test_paths_undo_the_incidence():
    assert np.array_equal(TREE.paths @ TREE.incidence, np.eye(5))


def test_paths_over_parallel_links_are_refused():
    with pytest.raises(ValueError, match="two links lead from 'tab' to 'bar'"):
        _ = TREE.with_links([("tab", "bar")]).paths


@pytest.mark.parametrize(
    ("links", "said"),
    [
        ((("a", "b"), ("a", "air"), ("b", "air")), "'a' has two ways out, to 'b' and to 'air'"),
        ((("a", "b"), ("b", "a"), ("air", "a")), "leads from the reference"),
        ((("a", "b"), ("b", "air"), ("c", "b"), ("d", "c"), ("a", "b")), None),
    ],
)
def test_only_a_tree_has_one_way_out_of_each_node(links, said):
    nodes = tuple(sorted({node for link in links for node in link} - {"air"}))
    network = Topology(nodes, links, "air")
    if said is None:
        assert network.path("d") == ("d", "c", "b", "air")
    else:
        with pytest.raises(ValueError, match=said):
            network.path("a")


@pytest.mark.parametrize(
    ("nodes", "links", "sources", "said"),
    [
        (("a", "a"), (("a", "air"),), (), "'a' names two nodes"),
        (("a", "air"), (("a", "air"),), (), "'air' names two nodes"),
        (("a",), (("a", "b"), ("a", "air")), (), "'b', which is no node"),
        (("a",), (("a", "a"), ("a", "air")), (), "from 'a' to itself"),
        (("a", "b", "c"), (("a", "air"), ("b", "c")), (), "no link joins 'b', 'c' to 'air'"),
        (("a", "b"), (("a", "b"), ("b", "a")), (), "no link joins 'a', 'b' to 'air'"),
        (("a",), (("a", "air"),), ("b",), "heats 'b', which is no node"),
        (("a",), (("a", "air"),), ("air",), "at the reference 'air' heats nothing"),
    ],
)
def test_impossible_networks_are_refused_in_plain_words(nodes, links, sources, said):
    with pytest.raises(ValueError, match=said):
        Topology(nodes, links, "air", sources)


def test_ways_meet_at_the_first_node_that_both_pass():
    """Of the chip and the driver at the bar, of a node and one it passes at that one."""
    meet = TREE.meeting
    names = (*TREE.nodes, TREE.reference)
    assert names[meet[0, 2]] == "bar"
    assert names[meet[0, 1]] == names[meet[1, 0]] == "tab"
    assert [names[i] for i in meet.diagonal()] == list(TREE.nodes)
    apart = Topology(("a", "b"), (("a", "air"), ("b", "air")), "air")
    assert apart.meeting.tolist() == [[0, 2], [2, 1]]


def test_values_are_added_up_from_each_node_to_the_reference_in_every_draw():
    """1, 2, 4, 8, 16 of the links: chip 1 + 2 + 8 + 16, driver 4 + 8 + 16."""
    values = np.array([1.0, 2.0, 4.0, 8.0, 16.0])
    both = TREE.summed(np.array([values, 10 * values]))
    assert both.tolist() == [[27, 26, 28, 24, 16], [270, 260, 280, 240, 160]]


def test_a_way_from_an_unknown_node_is_refused():
    with pytest.raises(ValueError, match="'nowhere' is no node of the network"):
        TREE.path("nowhere")


def test_a_larger_network_keeps_its_sources_and_its_reference():
    larger = TREE.with_links([("tab", "ambient")])
    assert larger.links == (*TREE.links, ("tab", "ambient"))
    assert (larger.sources, larger.reference) == (TREE.sources, TREE.reference)


def test_links_at_the_reference_are_told_with_their_node():
    """Whichever way round they are written: of three links the second and the third."""
    links = (("a", "b"), ("b", "air"), ("air", "a"))
    assert Topology(("a", "b"), links, "air").at_reference == ((1, 1), (2, 0))
