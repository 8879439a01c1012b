"""Stage kinds: what their keys do to the resistance."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fit.budget.stages.bar import Bar
from fit.budget.stages.base import StageKeys, numbers
from fit.budget.stages.pad import Pad
from fit.budget.stages.registry import KINDS
from fit.budget.stages.surface import Face, Surface
from fit.budget.stages.via_array import ViaArray, ring_sizes

ENDS = {"name": "stage", "from": "case", "to": "ambient"}
VIAS = {"count": 20, "drill_mm": 0.6, "plating_um": 25, "board_mm": 1.6}
PAD = {"thickness_mm": 0.5, "area_mm2": 308, "conductivity_W_per_mK": 3.0}
BAR = {"length_mm": 40, "area_mm2": 200, "conductivity_W_per_mK": 167}
BOX = {"emissivity": 0.85, "faces": [{"area_mm2": 10000, "orientation": "vertical"}]}


def make(kind: str, **keys: Any) -> StageKeys:
    return KINDS[kind].model_validate({**ENDS, "kind": kind, **keys})


def resistance(stage: StageKeys) -> float:
    drawn = {key: np.array([value]) for key, value in numbers(stage).items()}
    return float(stage.resistance(drawn)[0])


def rise(stage: StageKeys, heat_W: float, ambient_degC: float = 25.0) -> float:
    assert isinstance(stage, Surface)
    drawn = {key: np.array([value]) for key, value in numbers(stage).items()}
    return float(stage.rise_K(drawn, np.array([heat_W]), ambient_degC)[0])


def test_pad_is_bulk_over_area() -> None:
    assert resistance(make("pad", **PAD)) == pytest.approx(0.5e-3 / (3.0 * 308e-6))


def test_a_bar_conducts_by_fouriers_law() -> None:
    """100 mm of 10 cm2 at 200 W/(m K): 0.1 / (200 x 1e-3) = 0.5 K/W."""
    bar = make("bar", length_mm=100, area_mm2=1000, conductivity_W_per_mK=200)
    assert resistance(bar) == pytest.approx(0.5)


def test_contact_adds_to_the_bulk_of_a_pad() -> None:
    with_contact = resistance(make("pad", **PAD, contact_K_mm2_per_W=30.8))
    assert with_contact - resistance(make("pad", **PAD)) == pytest.approx(0.1)


def test_screws_do_not_change_a_pad_known_by_its_bulk() -> None:
    screw = {"count": 2, "thread_mm": 3, "torque_Nm": 0.5}
    assert resistance(make("pad", **PAD, screw=screw)) == resistance(make("pad", **PAD))


def screwed(torque_Nm: float) -> float:
    return resistance(
        make(
            "pad",
            area_mm2=308,
            impedance_points=[[100, 300.0], [1000, 200.0]],
            screw={"count": 2, "thread_mm": 3, "torque_Nm": torque_Nm},
        )
    )


def test_tighter_screws_lower_the_impedance_of_a_pad() -> None:
    assert screwed(0.12) < screwed(0.05)


def test_impedance_is_held_beyond_the_points_of_the_data_sheet() -> None:
    assert screwed(10.0) == pytest.approx(200.0 / 308)


def test_pressure_between_two_points_is_read_off_a_straight_line_in_logarithms() -> None:
    torque = 308e-6 * np.sqrt(100e3 * 1000e3) * 0.2 * 3e-3 / 2
    assert screwed(torque) == pytest.approx(np.sqrt(300.0 * 200.0) / 308)


def test_solder_in_the_bore_helps_a_via() -> None:
    assert resistance(make("via_array", **VIAS, fill_W_per_mK=50)) < resistance(
        make("via_array", **VIAS)
    )


def test_filled_vias_conduct_by_barrel_and_fill_side_by_side() -> None:
    """By hand, G = k A / L of each (Fourier), 0.6 mm holes with 25 um in a board of 1.6 mm.

    Barrel: 385 pi 0.575 mm x 0.025 mm / 1.6 mm = 10.8667 mW/K; solder of 50 W/(m K) in the bore of
    0.55 mm: 50 pi/4 (0.55 mm)^2 / 1.6 mm = 7.4245 mW/K; twenty of both.
    """
    filled = resistance(make("via_array", **VIAS, fill_W_per_mK=50))
    assert filled == pytest.approx(1 / (20 * (10.8667e-3 + 7.4245e-3)), rel=1e-5)


def test_a_ring_of_vias_is_reached_through_the_foil_between() -> None:
    """By hand, 4 and 12 vias of 1/(10.8667 mW/K) = 92.024 K/W, foil of 35 um.

    Foil from a mean radius of 1 to one of 3 (half pitches): ln 3 / (2 pi 385 35e-6) = 12.976 K/W.
    The outer twelve: 12.976 + 92.024/12 = 20.645; beside the inner four, 92.024/4 = 23.006.
    """
    keys = {**VIAS, "count": 16, "pitch_mm": 1.2, "foil_um": 35}
    expected = 1 / (1 / 23.006 + 1 / 20.645)
    assert resistance(make("via_array", **keys)) == pytest.approx(expected, rel=1e-4)


def test_a_third_ring_is_reached_through_both_foils() -> None:
    """By hand as above: ln(5/3) / (2 pi 385 35e-6) = 6.0335 K/W more to another twenty vias."""
    keys = {**VIAS, "count": 36, "pitch_mm": 1.2, "foil_um": 35}
    outer = 6.0335 + 92.024 / 20
    middle = 12.976 + 1 / (12 / 92.024 + 1 / outer)
    expected = 1 / (4 / 92.024 + 1 / middle)
    assert resistance(make("via_array", **keys)) == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize(
    ("keys", "problem"),
    [
        ({"plating_um": 300}, "fills the whole hole"),
        ({"plating_um": 299}, None),
        ({"pitch_mm": 1.2}, "go together"),
        ({"foil_um": 35}, "go together"),
        ({"pitch_mm": 0.6, "foil_um": 35}, "would touch"),
        ({"pitch_mm": 0.61, "foil_um": 35}, None),
    ],
)
def test_vias_that_cannot_be_are_refused(keys: dict[str, Any], problem: str | None) -> None:
    said = make("via_array", **{**VIAS, **keys}).problem()
    assert said is None if problem is None else problem in str(said)


@pytest.mark.parametrize(
    ("kind", "slip"),
    [
        ("via_array", {"drill_mm": 600.0}),  # um for mm
        ("via_array", {"plating_um": 0.025}),  # mm for um
        ("via_array", {"board_mm": 1600.0}),
        ("via_array", {"conductivity_W_per_mK": 3.85}),  # W/(cm K)
        ("pad", {"thickness_mm": 500.0}),
        ("pad", {"conductivity_W_per_mK": 3000.0}),  # mW/(m K)
        ("bar", {"length_mm": 0.04}),  # m for mm
    ],
)
def test_a_slip_of_the_unit_is_said_with_its_key(kind: str, slip: dict[str, float]) -> None:
    sound = {"via_array": VIAS, "pad": PAD, "bar": BAR}[kind]
    assert make(kind, **sound).unusual() == []
    (said,) = make(kind, **{**sound, **slip}).unusual()
    assert said.startswith(next(iter(slip)) + " = ")


def test_rings_of_vias_hold_all_of_them() -> None:
    assert [ring_sizes(n) for n in (1, 4, 20, 36)] == [[1], [4], [4, 12, 4], [4, 12, 20]]


def test_foil_between_rings_makes_the_twentieth_via_worth_less() -> None:
    plain = resistance(make("via_array", **VIAS))
    through_foil = resistance(make("via_array", **VIAS, pitch_mm=1.2, foil_um=35))
    assert plain < through_foil < 5 * plain


def test_bar_stores_heat_by_its_mass() -> None:
    stage = make("bar", **BAR, density_kg_per_m3=2700, specific_heat_J_per_kgK=900)
    assert stage.capacity_J_per_K() == pytest.approx(8e-6 * 2700 * 900)


def test_stated_capacity_goes_before_geometry() -> None:
    stage = make("bar", **BAR, density_kg_per_m3=2700, specific_heat_J_per_kgK=900, C_J_per_K=7.0)
    assert stage.capacity_J_per_K() == 7.0


def test_surface_resistance_falls_as_the_case_warms() -> None:
    assert rise(make("surface", **BOX), 8.0) / 8.0 < rise(make("surface", **BOX), 2.0) / 2.0


def test_thin_air_cools_less() -> None:
    assert rise(make("surface", **BOX, air_kPa=70), 4.0) > rise(make("surface", **BOX), 4.0)


def black(area_factor: float) -> Surface:
    """A face of 100 cm2, black, its convection next to nothing."""
    box = {**BOX, "emissivity": 1.0, "convection_factor": 1e-9, "area_factor": area_factor}
    stage = make("surface", **box)
    assert isinstance(stage, Surface)
    return stage


@pytest.mark.parametrize("area_factor", [1.0, 1.5])
def test_area_factor_multiplies_what_is_radiated(area_factor: float) -> None:
    """Stefan and Boltzmann: from 350 K to 300 K a black face of 100 cm2 gives off 3.91610 W.

    5.670374419e-8 (350^4 - 300^4) 0.01 W.
    """
    warm = rise(black(area_factor), 3.91610 * area_factor, ambient_degC=26.85)
    assert warm == pytest.approx(50.0, rel=1e-5)


def test_area_factor_multiplies_what_is_convected() -> None:
    """Half as much area again gives off half as much heat again at the same rise."""
    plain, larger = (
        make("surface", **{**BOX, "emissivity": 1e-9, "area_factor": f}) for f in (1.0, 1.5)
    )
    assert rise(larger, 1.5 * 3.0) == pytest.approx(rise(plain, 3.0), rel=1e-6)


def test_uncertainty_of_the_faces_is_that_of_their_sum() -> None:
    """JCGM 100, 5.1.2: hypot(30, 40) / (1000 + 4000) = 1 %."""
    faces = [
        {"area_mm2": 1000, "area_mm2_u": 30, "orientation": "up"},
        {"area_mm2": 4000, "area_mm2_u": 40, "orientation": "vertical"},
    ]
    stage = make("surface", emissivity=0.85, faces=faces, area_factor=1.1)
    assert stage.parts_u()["area_factor"].u == pytest.approx(0.01 * 1.1)


@pytest.mark.parametrize(("orientation", "length_m"), [("vertical", 0.1), ("up", 0.025)])
def test_a_face_without_a_height_is_a_square(orientation: str, length_m: float) -> None:
    """100 x 100 mm: its height when vertical; area over perimeter, 100^2 / 400, when horizontal."""
    face = Face.model_validate({"area_mm2": 10000, "orientation": orientation})
    assert face.length_m() == pytest.approx(length_m)


def test_surface_stores_heat_by_its_mass() -> None:
    """250 g of aluminium, 900 J/(kg K): 225 J/K."""
    assert make("surface", **BOX, mass_g=250).capacity_J_per_K() == pytest.approx(225.0)


def test_hot_face_down_cools_less_than_up() -> None:
    up, down = (
        make("surface", emissivity=0.85, faces=[{"area_mm2": 10000, "orientation": way}])
        for way in ("up", "down")
    )
    assert rise(down, 4.0) > rise(up, 4.0)


def test_surface_balance_closes() -> None:
    stage = make("surface", **BOX)
    assert isinstance(stage, Surface)
    drawn = {key: np.array([value]) for key, value in numbers(stage).items()}
    warm = stage.rise_K(drawn, np.array([4.0]), 25.0)
    convected = warm * stage._convection_curve(25.0)(warm) / warm
    radiated = 0.85 * 5.670374419e-8 * 0.01 * ((298.15 + warm) ** 4 - 298.15**4)
    assert convected + radiated == pytest.approx(4.0, rel=1e-5)


@given(
    drill=st.floats(0.2, 2.0),
    plating=st.floats(10, 60),
    count=st.integers(1, 60),
)
def test_one_more_via_never_hurts(drill: float, plating: float, count: int) -> None:
    fewer, more = (
        resistance(
            ViaArray.model_validate(
                {
                    **ENDS,
                    "kind": "via_array",
                    "count": n,
                    "drill_mm": drill,
                    "plating_um": plating,
                    "board_mm": 1.6,
                    "pitch_mm": 3.0,
                    "foil_um": 35,
                }
            )
        )
        for n in (count, count + 1)
    )
    assert more < fewer


@pytest.mark.parametrize(("model", "keys"), [(Pad, PAD), (Bar, BAR), (ViaArray, VIAS)])
def test_every_default_uncertainty_names_a_key(
    model: type[StageKeys], keys: dict[str, Any]
) -> None:
    assert set(model.default_u) <= set(model.model_fields)


def test_plate_stores_heat_by_its_mass() -> None:
    plate = {
        "source_mm2": 100,
        "plate_mm2": 900,
        "thickness_mm": 3,
        "conductivity_W_per_mK": 167,
        "onward_K_per_W": 6.0,
    }
    stage = make("spreading", **plate, density_kg_per_m3=2700, specific_heat_J_per_kgK=900)
    assert stage.capacity_J_per_K() == pytest.approx(900 * 3 * 1e-9 * 2700 * 900)


def test_pad_by_impedance_needs_its_thickness_to_know_its_mass() -> None:
    stage = make(
        "pad",
        area_mm2=308,
        impedance_points=[[100, 300.0]],
        screw={"count": 2, "thread_mm": 3, "torque_Nm": 0.1},
        density_kg_per_m3=2000,
        specific_heat_J_per_kgK=1000,
    )
    assert stage.problem() == "density_kg_per_m3 needs thickness_mm beside it"


def test_torque_and_thread_of_a_screw_are_unsure_together() -> None:
    screw = {"count": 2, "thread_mm": 3, "torque_Nm": 0.5, "torque_Nm_u": 0.05, "thread_mm_u": 0.3}
    stage = make("pad", area_mm2=308, impedance_points=[[100, 300.0]], screw=screw)
    assert stage.parts_u()["clamp_factor"].u == pytest.approx(np.hypot(0.1, 0.1))


def test_uncertainty_of_the_clamp_is_a_share_of_its_factor() -> None:
    """A torque known to a tenth, and a factor of 1.2: 0.12."""
    screw = {"count": 2, "thread_mm": 3, "torque_Nm": 0.5, "torque_Nm_u": 0.05}
    stage = make(
        "pad", area_mm2=308, impedance_points=[[100, 300.0]], screw=screw, clamp_factor=1.2
    )
    assert stage.parts_u()["clamp_factor"].u == pytest.approx(0.12)
    assert stage.parts_u()["clamp_factor"].value == 1.2


def test_factors_multiply_what_the_data_sheet_and_the_torque_say() -> None:
    """Impedance a tenth over; four times the force at twice the factor and torque."""
    screw = {"count": 2, "thread_mm": 3, "torque_Nm": 0.05}
    points = [[100, 300.0], [1000, 200.0]]
    plain = make("pad", area_mm2=308, impedance_points=points, screw={**screw, "torque_Nm": 0.1})
    same_force = make("pad", area_mm2=308, impedance_points=points, screw=screw, clamp_factor=2.0)
    worse = make(
        "pad", area_mm2=308, impedance_points=points, screw={**screw, "torque_Nm": 0.1},
        impedance_factor=1.1,
    )  # fmt: skip
    assert resistance(same_force) == pytest.approx(resistance(plain))
    assert resistance(worse) == pytest.approx(1.1 * resistance(plain))


def joint(**keys: Any) -> float:
    """1.6 um, slope 0.15, 1.4 GPa at 1.4 MPa on 400 mm2, 167 W/(m K): P/H is 1e-3."""
    return resistance(
        make(
            "joint", area_mm2=400, pressure_MPa=1.4, roughness_um=1.6, slope=0.15,
            hardness_GPa=1.4, **keys,
        )
    )  # fmt: skip


def test_joint_in_vacuum_conducts_by_its_spots() -> None:
    """1.25 k (m/sigma) (P/H)^0.95 by hand, sqrt(2) of each in both m and sigma: they cancel.

    1.25 x 167 x 0.15/1.6e-6 x 1e-3^0.95 = 27643 W/(m2 K); over 400 mm2.
    """
    assert joint(gap_W_per_mK=0) == pytest.approx(1 / (27643 * 400e-6), rel=1e-4)


def test_joint_with_a_gas_conducts_beside_its_spots() -> None:
    """k_gap/(Y + M): Y = 1.53 sqrt(2) 1.6 um 1e-3^-0.097 = 6.766 um, M 0.37 um, air 0.026."""
    gap = 0.026 / 7.136e-6
    assert joint() == pytest.approx(1 / ((27643 + gap) * 400e-6), rel=1e-4)


def test_joint_with_a_layer_conducts_through_that_thickness() -> None:
    """50 um of a compound of 0.8 W/(m K): 16000 W/(m2 K) beside the spots."""
    found = joint(gap_W_per_mK=0.8, layer_um=50.0)
    assert found == pytest.approx(1 / ((27643 + 16000) * 400e-6), rel=1e-4)


def test_bow_multiplies_a_joint() -> None:
    assert joint(bow_factor=1.5) == pytest.approx(1.5 * joint())
