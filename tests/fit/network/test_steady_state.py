"""Rest states of networks: whatever the network, physics holds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fit.network.steady_state import (
    heat_flow,
    reduce_to,
    resistance_matrix,
    steady_state,
)
from fit.network.topology import Topology, chain

CHAIN = chain(["tab", "bar", "ambient"])


@st.composite
def networks(draw):
    """Any connected graph of up to 7 nodes, with resistances and two sources."""
    n = draw(st.integers(2, 7))
    names = [f"n{i}" for i in range(n)]
    onward = [draw(st.sampled_from([*names[i + 1 :], "ambient"])) for i in range(n)]
    ends = st.sampled_from([*names, "ambient"])
    extra = draw(st.lists(st.tuples(ends, ends).filter(lambda e: e[0] != e[1]), max_size=4))
    links = (*zip(names, onward, strict=True), *extra)
    R = [10 ** draw(st.floats(-3, 3)) for _ in links]
    sources = (names[0], draw(st.sampled_from(names)))
    return Topology(tuple(names), links, sources=sources), np.array(R)


@settings(deadline=None, max_examples=60)
@given(networks())
def test_rise_by_another_source_is_reciprocal(network):
    topology, R = network
    a, b = topology.source_index
    Z = resistance_matrix(topology, R)
    assert Z[a, 1] == pytest.approx(Z[b, 0], rel=1e-12)


@settings(deadline=None, max_examples=60)
@given(networks(), st.floats(0, 50), st.floats(0, 50))
def test_all_heat_reaches_the_reference(network, first_W, second_W):
    topology, R = network
    rest = steady_state(topology, R, [first_W, second_W])
    gained = topology.incidence.T @ rest.flow_W
    expected = np.zeros(len(topology))
    np.add.at(expected, topology.source_index, [first_W, second_W])
    assert gained == pytest.approx(expected, abs=1e-6 * (1 + first_W + second_W))


@settings(deadline=None, max_examples=60)
@given(networks(), st.lists(st.booleans(), min_size=7, max_size=7))
def test_elimination_leaves_the_rest_of_the_network_as_it_was(network, kept):
    topology, R = network
    stays = np.array(kept[: len(topology)])
    left = reduce_to(topology, R, stays)
    inner = left.conductance[:-1, :-1]
    G = np.diag(left.conductance[:-1].sum(axis=1)) - inner
    entering = left.follow[topology.source_index].T
    solved = np.linalg.solve(G, entering) if stays.any() else entering
    whole = left.follow @ solved + left.at_once
    assert whole == pytest.approx(resistance_matrix(topology, R), rel=1e-6)


def test_a_node_between_two_resistances_leaves_their_sum():
    left = reduce_to(chain(["a", "b", "air"]), [2.0, 3.0], [True, False])
    assert left.conductance[0, 1] == pytest.approx(1 / 5)
    assert left.follow[:, 0] == pytest.approx([1.0, 3 / 5])


def test_small_resistances_beside_large_ones_keep_their_digits():
    """1e-9 beside 1e9 K/W: the parallel way of two leaks, by hand."""
    topology = chain(["a", "b", "air"]).with_links([("a", "air")])
    Z = resistance_matrix(topology, [1e-9, 1e9, 1e9])[0, 0]
    assert pytest.approx(5e8, rel=1e-15) == Z


def test_draws_are_each_their_own_network():
    R = np.random.default_rng(3).uniform(0.5, 2.0, (5, 2))
    together = resistance_matrix(CHAIN, R)
    assert together.shape == (5, 2, 1)
    assert together[3] == pytest.approx(resistance_matrix(CHAIN, R[3]), rel=1e-15)


def surface(heat_W):
    return 8.0 * heat_W**0.8


def test_a_surface_settles_at_the_heat_that_reaches_it():
    topology = CHAIN.with_links([("tab", "ambient")])
    rest = steady_state(topology, [1.0, np.nan, 20.0], [5.0], {1: surface})
    case_K, through_W = rest.rise_K[1], rest.flow_W[1]
    assert case_K == pytest.approx(surface(through_W), rel=1e-8)
    assert rest.flow_W[0] == pytest.approx(through_W, rel=1e-8)
    assert through_W + rest.flow_W[2] == pytest.approx(5.0, rel=1e-12)


def test_no_heat_no_rise():
    assert steady_state(CHAIN, [1.0, 1.0], [0.0], {1: surface}).rise_K.tolist() == [0.0, 0.0]


def test_a_node_that_no_heat_leaves_is_refused():
    with pytest.raises(ValueError, match="every way from 'bar' is open"):
        resistance_matrix(CHAIN, [1.0, np.inf])


def test_heat_flows_from_hot_to_cold():
    assert heat_flow(CHAIN, [2.0, 4.0], np.array([6.0, 4.0])).tolist() == [1.0, 1.0]


@pytest.mark.parametrize(
    ("R", "power", "said"),
    [
        ([1.0], [1.0], "1 resistances for 2 links"),
        ([1.0, 0.0], [1.0], "a resistance is not positive"),
        ([1.0, -2.0], [1.0], "a resistance is not positive"),
        ([1.0, 1.0], [1.0, 2.0], "2 powers for 1 sources"),
        ([1.0, 1.0], 1.0, "1 powers for 1 sources"),
    ],
)
def test_values_that_do_not_fit_the_network_are_refused(R, power, said):
    with pytest.raises(ValueError, match=said):
        steady_state(CHAIN, R, power)


@pytest.mark.parametrize(
    ("heat_W", "rise_K"), [(1.2e-3, 8.0 * 1.2e-3**0.8), (0.5e-3, 0.5 * 8.0 * 1e-3**0.8)]
)
def test_below_a_milliwatt_a_drop_is_in_proportion_to_its_heat(heat_W, rise_K):
    rest = steady_state(CHAIN, [1.0, np.nan], [heat_W], {1: surface})
    assert rest.rise_K[1] == pytest.approx(rise_K)


def test_draws_of_powers_and_of_resistances_are_each_their_own_steady_state():
    """5 and 10 W over 2 + 3 K/W, then each of them over 1 + 1 K/W too, by Ohm's law."""
    one = steady_state(CHAIN, [2.0, 3.0], [[5.0], [10.0]])
    assert one.rise_K == pytest.approx(np.array([[25.0, 15.0], [50.0, 30.0]]))
    assert one.flow_W == pytest.approx(np.array([[5.0, 5.0], [10.0, 10.0]]))
    both = steady_state(CHAIN, [[2.0, 3.0], [1.0, 1.0]], [[5.0], [10.0]])
    assert both.rise_K == pytest.approx(np.array([[25.0, 15.0], [20.0, 10.0]]))
    values = steady_state(CHAIN, [[2.0, 3.0], [1.0, 1.0]], [4.0])
    assert values.rise_K == pytest.approx(np.array([[20.0, 12.0], [8.0, 4.0]]))


def test_a_surface_has_its_own_resistance_in_every_draw():
    """8 K at 1 W, and 8 x 32^0.8 = 128 K at 32 W: 8 and 4 K/W."""
    rest = steady_state(CHAIN, [1.0, np.nan], [[1.0], [32.0]], {1: surface})
    assert rest.R_K_per_W[:, 1] == pytest.approx([8.0, 4.0])
    assert rest.rise_K == pytest.approx(np.array([[9.0, 8.0], [160.0, 128.0]]))
