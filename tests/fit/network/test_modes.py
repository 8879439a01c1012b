"""Poles and residues of any network, against its rest state, its elimination and plain algebra."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import StateSpace, lsim

from fit.network.foster import response_to_power
from fit.network.modes import Modes, ladder_poles, modes, search_modes
from fit.network.steady_state import resistance_matrix
from fit.network.topology import Array, Topology, chain
from tests.fit.network.test_steady_state import networks

TWO_PARTS = Topology(
    nodes=("one", "two", "bar", "case"),
    links=(("one", "bar"), ("two", "bar"), ("bar", "case"), ("case", "ambient"), ("one", "two")),
    sources=("one", "two"),
)
R = np.array([3.0, 4.0, 0.5, 2.0, 20.0])
C = np.array([5.0, 8.0, 60.0, 150.0])


def reference_amplitude(found: Modes) -> Array:
    """b_jk (..., n, K)."""
    return found.shape * found.at_reference[..., np.newaxis, :]


@settings(deadline=None, max_examples=60)
@given(networks(), st.lists(st.floats(-2, 3), min_size=7, max_size=7), st.integers(0, 127))
def test_residues_add_up_to_the_steady_state(network, exponents, bare):
    topology, resistance = network
    stores = np.array([not bare >> i & 1 for i in range(len(topology))])
    capacity = 10 ** np.array(exponents[: len(topology)]) * stores
    found = modes(topology, resistance, capacity)
    settled = found.amplitude_K_per_W.sum(axis=-1) + found.at_once_K_per_W
    Z = resistance_matrix(topology, resistance)
    assert settled == pytest.approx(Z, rel=1e-6, abs=1e-9 * Z.max())


@settings(deadline=None, max_examples=40)
@given(networks(), st.lists(st.floats(-2, 3), min_size=7, max_size=7))
def test_a_change_of_the_reference_reaches_every_node_in_full(network, exponents):
    topology, resistance = network
    found = modes(topology, resistance, 10 ** np.array(exponents[: len(topology)]))
    assert reference_amplitude(found).sum(axis=-1) == pytest.approx(
        np.ones(len(topology)), abs=1e-6
    )


@settings(deadline=None, max_examples=40)
@given(networks(), st.lists(st.floats(-2, 3), min_size=7, max_size=7))
def test_residues_are_reciprocal(network, exponents):
    topology, resistance = network
    found = modes(topology, resistance, 10 ** np.array(exponents[: len(topology)]))
    a, b = topology.source_index
    amplitude = found.amplitude_K_per_W
    assert amplitude[a, 1] == pytest.approx(amplitude[b, 0], rel=1e-12)
    assert (amplitude[a, 0] >= 0).all()


@settings(deadline=None, max_examples=40)
@given(st.lists(st.tuples(st.floats(-2, 2), st.floats(-2, 2)), min_size=1, max_size=8))
def test_a_chain_in_any_order_of_its_nodes_is_the_same_ladder(ladder):
    resistance, capacity = 10 ** np.array(ladder).T
    names = [f"n{i}" for i in range(len(ladder))]
    straight = chain([*names, "ambient"])
    turned = Topology(tuple(names[::-1]), straight.links[::-1], sources=("n0",))
    found = modes(turned, resistance[::-1], capacity[::-1]).terms(names[-1])
    expected = ladder_poles(resistance, capacity, len(ladder) - 1)
    assert found[1] == pytest.approx(expected[1], rel=1e-9)
    assert found[0] == pytest.approx(expected[0], abs=1e-9 * np.abs(expected[0]).max())


def test_a_small_capacity_and_none_answer_alike():
    bare, nearly = C * [0, 1, 1, 1], C * [1e-9, 1, 1, 1]
    t = np.linspace(1.0, 500.0, 50)
    power = np.column_stack([np.full(50, 2.0), np.linspace(0.0, 3.0, 50)])
    for node in TWO_PARTS.nodes:
        rises = [
            sum(
                response_to_power(*modes(TWO_PARTS, R, capacity).terms(node, s), t, power[:, s])
                for s in range(2)
            )
            for capacity in (bare, nearly)
        ]
        assert rises[0][1:] == pytest.approx(rises[1][1:], rel=1e-6)


def test_response_to_two_powers_is_that_of_a_state_space_model():
    """Against scipy.signal.lsim, a general solver of linear systems."""
    t = np.linspace(0.0, 600.0, 301)
    power = np.column_stack([2 + np.sin(t / 40), np.where(t < 200, 1.0, 4.0)])
    found = modes(TWO_PARTS, R, C)
    ours = response_to_power(found.amplitude_K_per_W, found.tau_s, t, power, between="line")
    entering = np.eye(4)[:, :2] / C[:, np.newaxis]
    rate = -TWO_PARTS.conductance_matrix(R) / C[:, np.newaxis]
    system = StateSpace(rate, entering, np.eye(4), np.zeros((4, 2)))
    assert ours == pytest.approx(lsim(system, power, t)[1].T, rel=1e-9, abs=1e-9)


def test_a_ladder_of_ones_has_the_golden_ratio_for_its_time_constants():
    """Two of 1 K/W and 1 J/K: rates are the roots of x^2 - 3x + 1, phi^2 and its inverse."""
    _, tau_s = ladder_poles([1.0, 1.0], [1.0, 1.0])
    golden = (1 + np.sqrt(5)) / 2
    assert tau_s == pytest.approx([golden**-2, golden**2])


def test_without_any_capacity_there_is_no_mode_and_all_follows_at_once():
    found = modes(TWO_PARTS, R, np.zeros(4))
    assert found.tau_s.shape == found.at_reference.shape == (0,)
    assert found.amplitude_K_per_W.shape == (4, 2, 0)
    assert found.at_once_K_per_W == pytest.approx(resistance_matrix(TWO_PARTS, R))


def test_reference_residues_give_the_rise_left_by_a_step_of_the_reference():
    """A step of the reference by one leaves all nodes at -1 above it: the same free decay."""
    found = modes(TWO_PARTS, R, C)
    decay = found.shape * (found.shape.T @ C)
    assert reference_amplitude(found) == pytest.approx(decay, rel=1e-9, abs=1e-12)


def test_time_constants_follow_each_resistance_by_its_share_of_the_loss():
    found = modes(TWO_PARTS, R, C)
    shares = found.by_resistance(R)
    assert shares.sum(axis=0) == pytest.approx(np.ones(4), rel=1e-12)
    for link in range(5):
        more = R * (1 + 1e-6 * (np.arange(5) == link))
        by_steps = np.log(modes(TWO_PARTS, more, C).tau_s / found.tau_s) / 1e-6
        assert shares[link] == pytest.approx(by_steps, abs=2e-6)


def test_search_modes_are_the_same_network_less_exactly():
    draws = np.random.default_rng(2).uniform(0.5, 2.0, (4, 9))
    fast = search_modes(TWO_PARTS, R * draws[:, :5], C * draws[:, 5:])
    exact = modes(TWO_PARTS, R * draws[:, :5], C * draws[:, 5:])
    assert fast.tau_s[:, ::-1] == pytest.approx(exact.tau_s, rel=1e-10)
    assert fast.amplitude_K_per_W[..., ::-1] == pytest.approx(exact.amplitude_K_per_W, abs=1e-10)
    assert reference_amplitude(fast)[..., ::-1] == pytest.approx(
        reference_amplitude(exact), abs=1e-10
    )


@pytest.mark.parametrize("length", [1, 2, 4])
def test_nodes_that_store_nothing_answer_at_once(length):
    names = [f"n{i}" for i in range(length)]
    amplitude, tau = modes(chain([*names, "air"]), np.ones(length), np.zeros(length)).terms("n0")
    assert amplitude.tolist() == [length]
    assert tau.tolist() == [0.0]


@pytest.mark.parametrize(
    ("capacity", "said"),
    [
        ([1.0], "1 capacities for 4 nodes"),
        ([1.0, 1.0, -1.0, 1.0], "negative or not finite"),
        ([1.0, 1.0, np.nan, 1.0], "negative or not finite"),
        ([[1.0, 1.0, 0.0, 1.0], [1.0, 1.0, 1.0, 1.0]], "capacity in some draws"),
    ],
)
def test_capacities_that_do_not_fit_are_refused(capacity, said):
    with pytest.raises(ValueError, match=said):
        modes(TWO_PARTS, R, capacity)


def test_powers_for_another_number_of_sources_are_refused():
    found = modes(TWO_PARTS, R, C)
    with pytest.raises(ValueError, match="amplitudes of 2 sources for powers of 3"):
        response_to_power(found.amplitude_K_per_W, found.tau_s, [0.0, 1.0], np.ones((2, 3)))


def test_a_search_finds_the_same_modes_slowest_first_and_no_part_without_delay():
    found, exact = search_modes(TWO_PARTS, R[np.newaxis], C[np.newaxis]), modes(TWO_PARTS, R, C)
    assert found.tau_s[0, ::-1] == pytest.approx(exact.tau_s, rel=1e-9)
    assert found.at_once_K_per_W.shape == (1, 4, 0)
    assert found.amplitude_K_per_W[0, ..., ::-1] == pytest.approx(
        exact.amplitude_K_per_W, rel=1e-6, abs=1e-12
    )


def test_a_link_has_the_share_of_a_mode_that_its_resistance_dissipates():
    """One lump of 4 J/K over 1 + 3 K/W in parallel legs: tau goes as each conductance's share.

    tau = C / (1/1 + 1/3); d ln tau / d ln R_1 = (1/1) / (1/1 + 1/3) = 3/4.
    """
    lump = Topology(("lump",), (("lump", "air"), ("lump", "air")), "air", ("lump",))
    found = modes(lump, [1.0, 3.0], [4.0])
    assert found.tau_s == pytest.approx([3.0])
    assert found.by_resistance([1.0, 3.0])[:, 0] == pytest.approx([0.75, 0.25])


@pytest.mark.parametrize(
    ("R_draws", "C_draws"), [((3,), ()), ((), (3,)), ((2, 3), ()), ((), (2, 3)), ((2, 1), (3,))]
)
def test_draws_of_either_values_are_each_their_own_network(R_draws, C_draws):
    """One lump over one resistance: tau = R C, a = R."""
    lump = chain(["lump", "air"])
    resistance = np.arange(1.0, 1 + np.prod(R_draws, dtype=int)).reshape(*R_draws, 1)
    capacity = np.arange(10.0, 10 + np.prod(C_draws, dtype=int)).reshape(*C_draws, 1)
    found = modes(lump, resistance, capacity)
    assert found.tau_s == pytest.approx(resistance * capacity)
    amplitude = found.amplitude_K_per_W[..., 0, 0, :]
    assert amplitude == pytest.approx(np.broadcast_to(resistance, amplitude.shape))


def test_a_part_without_capacity_follows_at_once_in_every_draw():
    """1 and 3 K/W without capacity before 5 J/K over 2 and 4 K/W: 10 and 20 s."""
    found = modes(chain(["tab", "bar", "air"]), [[1.0, 2.0], [3.0, 4.0]], [0.0, 5.0])
    R, tau_s = found.terms("tab")
    assert pytest.approx(np.array([[1.0, 2.0], [3.0, 4.0]])) == R
    assert tau_s == pytest.approx(np.array([[0.0, 10.0], [0.0, 20.0]]))
    nothing, at_reference_s = found.terms("air")
    assert nothing.tolist() == [[0.0], [0.0]]
    assert at_reference_s == pytest.approx(np.array([[10.0], [20.0]]))


def test_shares_of_the_links_in_a_mode_are_those_of_each_draw():
    lump = Topology(("lump",), (("lump", "air"), ("lump", "air")), "air", ("lump",))
    resistance = np.array([[1.0, 3.0], [1.0, 1.0]])
    shares = modes(lump, resistance, [4.0]).by_resistance(resistance)
    assert shares[..., 0] == pytest.approx(np.array([[0.75, 0.25], [0.5, 0.5]]))
