"""Networks against outside values: by hand, in closed form, computed to 60 digits, published."""

from __future__ import annotations

import numpy as np
import pytest

from fit.compact_model.structure_function import cumulative_curve, time_constant_spectrum
from fit.network.foster import (
    cauer_to_foster,
    foster_to_cauer,
    pulse_extremes,
    step_response,
)
from fit.network.modes import ladder_poles, modes
from fit.network.steady_state import resistance_matrix
from fit.network.topology import Topology, chain


def slab(terms=200):
    """Slab heated at one face, the other held: Carslaw & Jaeger, Conduction of Heat in Solids.

    Quoted from memory; the series and the solution by images agree to 12 digits.
    """
    odd = 2 * np.arange(1, terms + 1) - 1
    return 8 / (np.pi * odd) ** 2, 4 / (np.pi * odd) ** 2


def test_two_term_impedance_worked_by_hand():
    """Z = (s + 2) / ((s + 1)(s + 3)): Foster 1/2, 1/6 with C = 2, 2; ladder by long division."""
    R, C = foster_to_cauer([1 / 2, 1 / 6], [1, 1 / 3])
    assert pytest.approx([1 / 2, 1 / 6], rel=1e-14) == R
    assert pytest.approx([1, 4], rel=1e-14) == C


def test_two_term_impedance_worked_by_hand_backwards():
    """The same impedance, Z = (s + 2) / ((s + 1)(s + 3))."""
    R, tau = cauer_to_foster([1 / 2, 1 / 6], [1, 4])
    assert pytest.approx([1 / 6, 1 / 2], rel=1e-14) == R
    assert tau == pytest.approx([1 / 3, 1], rel=1e-14)


THREE_TERMS = (
    [0.355302566934, 0.514036182175, 5.13066125089],
    [0.622591404030, 2.66286168391, 21.7145469121],
)
"""Ladder R = 1, 2, 3, C = 1, 2, 3, computed independently with 60 digits."""


def test_three_term_ladder_computed_to_sixty_digits():
    R, tau = cauer_to_foster([1, 2, 3], [1, 2, 3])
    assert pytest.approx(THREE_TERMS[0], rel=2e-12) == R
    assert tau == pytest.approx(THREE_TERMS[1], rel=2e-12)


def test_three_term_ladder_recovered_from_twelve_digits():
    R, C = foster_to_cauer(*THREE_TERMS)
    assert pytest.approx([1, 2, 3], rel=1e-9) == R
    assert pytest.approx([1, 2, 3], rel=1e-9) == C


@pytest.mark.parametrize("sections", [1, 2, 5, 10, 20, 50])
def test_uniform_ladder_in_closed_form(sections):
    """Eigenvalues of the second-difference matrix, closed at one end and held at the other."""
    k = np.arange(sections, 0, -1)
    sine = np.sin((2 * k - 1) * np.pi / (2 * (2 * sections + 1)))
    equal = np.full(sections, 1 / sections)
    assert ladder_poles(equal, equal)[1] == pytest.approx(1 / (2 * sections * sine) ** 2, rel=1e-12)
    assert cauer_to_foster(equal, equal)[1] == pytest.approx(
        1 / (2 * sections * sine) ** 2, rel=1e-14
    )


@pytest.mark.parametrize(
    ("fourier_number", "rise"),
    [(0.1, 0.356823400452), (0.25, 0.562233541762), (0.5, 0.763950330744),
     (1.0, 0.931259678463), (2.0, 0.994170478926)],
)  # fmt: skip
def test_slab_step_response(fourier_number, rise):
    """Carslaw & Jaeger, from memory; both series agree to the digits given."""
    assert step_response(*slab(), [fourier_number])[0] == pytest.approx(
        rise + slab()[0].sum() - 1, abs=2e-12
    )


def test_slab_as_a_fine_ladder():
    """A ladder of 400 sections tends to the slab, with an error of the order of 1 / sections^2."""
    sections = 400
    R = np.full(sections, 1 / sections)
    C = np.append(0.5 / sections, R[1:])
    amplitude, tau = ladder_poles(R, C)
    assert amplitude[-3:] == pytest.approx(slab(3)[0][::-1], rel=1e-4)
    assert tau[-3:] == pytest.approx(slab(3)[1][::-1], rel=1e-4)


def test_slab_at_mid_plane_has_negative_amplitudes():
    """Eigenfunctions cos((2n-1) pi x / 2) of the slab (Carslaw & Jaeger, memory), x = 1/2."""
    sections = 400
    R = np.full(sections, 1 / sections)
    C = np.append(0.5 / sections, R[1:])
    amplitude, _ = ladder_poles(R, C, node=sections // 2)
    expected = [0.0116971259, -0.0229263667, -0.0636843520, 0.5731591683]
    assert amplitude[-4:] == pytest.approx(expected, abs=2e-6)


def test_slab_cumulative_curve_is_a_straight_line():
    """In a uniform slab capacity grows as resistance does, both 1 in total."""
    t = np.logspace(-4, 1, 400)
    spectrum = time_constant_spectrum(t, step_response(*slab(), t))
    curve = cumulative_curve(spectrum.R_K_per_W, spectrum.tau_s)
    passed = np.array([0.1, 0.2, 0.3, 0.5, 0.7, 0.9])
    met = np.interp(passed, curve.R_K_per_W, curve.C_J_per_K)
    assert met == pytest.approx(passed, abs=0.05)


def test_slope_of_the_cumulative_curve_tells_two_slabs_apart():
    """Its slope is c λ A² of the section passed (Szekely & Van Bien 1988; JESD51-14, from memory).

    Two slabs of 1 K/W each, the second with ten times the capacity: slopes 1 and 10.
    """
    sections = 200
    R = np.full(2 * sections, 1 / sections)
    C = np.repeat([1 / sections, 10 / sections], sections)
    t = np.logspace(-4, 2.5, 600)
    spectrum = time_constant_spectrum(t, step_response(*ladder_poles(R, C), t))
    curve = cumulative_curve(spectrum.R_K_per_W, spectrum.tau_s)
    ends = np.interp([0.2, 0.8, 1.2, 1.8], curve.R_K_per_W, curve.C_J_per_K)
    assert (ends[1] - ends[0]) / 0.6 == pytest.approx(1.0, rel=0.1)
    assert (ends[3] - ends[2]) / 0.6 == pytest.approx(10.0, rel=0.15)


DATA_SHEET = {
    "transistor": ([0.2568, 0.3429], [0.000311, 0.006347], 0.5997),
    "diode": ([0.693, 0.621, 0.307], [0.001222, 0.005254, 0.038140], 1.621),
}
"""Foster rows of a published IGBT/diode data sheet, IRGP4640D p. 8: resistances, tau, their sum."""


@pytest.mark.parametrize("part", DATA_SHEET)
def test_data_sheet_network_adds_up_and_converts(part):
    R, tau, total = DATA_SHEET[part]
    steps, capacities = foster_to_cauer(R, tau)
    assert np.sum(R) == pytest.approx(total, abs=1e-9)
    assert np.sum(steps) == pytest.approx(total, rel=1e-12)
    assert step_response(*ladder_poles(steps, capacities), [0.001, 0.01]) == pytest.approx(
        step_response(R, tau, [0.001, 0.01]), rel=1e-12
    )


@pytest.mark.parametrize("duty", [0.5, 0.2, 0.1, 0.02])
def test_pulse_train_on_a_data_sheet_network_stays_under_the_duty_rule(duty):
    """Common practice: Z(t, D) is at most D R + (1 - D) Z(t), and more than D R, its mean."""
    R, tau, total = DATA_SHEET["diode"]
    width = 1e-4
    peak, _ = pulse_extremes(R, tau, width, width / duty)
    single = step_response(R, tau, [width])[0]
    assert duty * total < peak < duty * total + (1 - duty) * single


TWO_PARTS = Topology(
    nodes=("tab_1", "back_1", "tab_2", "back_2", "bar", "case"),
    links=(
        ("tab_1", "back_1"), ("back_1", "bar"), ("tab_2", "back_2"), ("back_2", "bar"),
        ("bar", "case"), ("case", "ambient"),
    ),
    sources=("tab_1", "tab_2"),
)  # fmt: skip
TWO_PARTS_R = (4.0, 1.0, 5.0, 2.0, 0.5, 3.0)
"""Vias and pads of two parts on one bar, then the case: invented, worked by hand."""


def test_two_parts_on_one_bar_by_hand():
    """Own way in series; what is shared (bar and case, 3.5 K/W) is the other's rise."""
    Z = resistance_matrix(TWO_PARTS, TWO_PARTS_R)
    assert Z[[0, 2]] == pytest.approx(np.array([[8.5, 3.5], [3.5, 10.5]]), rel=1e-15)


def test_two_parts_coupled_through_their_board():
    """10 K/W between the two backs; computed independently with a general solver."""
    Z = resistance_matrix(TWO_PARTS.with_links([("back_1", "back_2")]), [*TWO_PARTS_R, 10.0])
    expected = [
        [8.423077, 3.653846], [4.423077, 3.653846], [3.653846, 10.192308],
        [3.653846, 5.192308], [3.5, 3.5], [3.0, 3.0],
    ]  # fmt: skip
    assert pytest.approx(np.array(expected), abs=5e-7) == Z


def test_two_lumps_from_either_source():
    """C = 1 and 2 J/K, 1 K/W between, 2 K/W to the reference; computed with a general solver."""
    pair = Topology(("a", "b"), (("a", "b"), ("b", "ambient")), sources=("a", "b"))
    found = modes(pair, [1.0, 2.0], [1.0, 2.0])
    assert found.tau_s == pytest.approx([0.62771868, 6.37228132], abs=5e-9)
    expected = [
        [[0.36849524, 2.63150476], [-0.21854359, 2.21854359]],
        [[-0.21854359, 2.21854359], [0.12961172, 1.87038828]],
    ]
    assert found.amplitude_K_per_W == pytest.approx(np.array(expected), abs=5e-9)


def test_wheatstone_bridge_balanced_and_not():
    """Two dividers and a bridge: no flow where both divide alike (any text on circuits)."""
    bridge = Topology(
        ("in", "left", "right"),
        (("in", "left"), ("in", "right"), ("left", "right"), ("left", "out"), ("right", "out")),
        reference="out",
        sources=("in",),
    )
    balanced = resistance_matrix(bridge, [1.0, 2.0, 7.0, 3.0, 6.0])[:, 0]
    assert balanced == pytest.approx([12 * 6 / 18 / 1.5, 2.0, 2.0], rel=1e-14)
    equal = resistance_matrix(bridge, [1.0, 2.0, 1.0, 2.0, 1.0])[0, 0]
    assert equal == pytest.approx(7 / 5, rel=1e-14)


def test_a_ladder_of_named_nodes_has_the_three_terms_computed_to_sixty_digits():
    found = modes(chain(["a", "b", "c", "ambient"]), [1.0, 2.0, 3.0], [1.0, 2.0, 3.0])
    R, tau = found.terms("a")
    assert pytest.approx(THREE_TERMS[0], rel=2e-12) == R
    assert tau == pytest.approx(THREE_TERMS[1], rel=2e-12)
