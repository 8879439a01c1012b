"""What a stage refuses, remarks and assumes, each at the bound where it begins."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from fit.budget.stages.base import numbers
from fit.budget.stages.pad import Screw
from fit.budget.stages.registry import KINDS
from tests.fit.budget.test_stages import BAR, BOX, PAD, VIAS, make, rise

SOUND: dict[str, dict[str, Any]] = {
    "stated": {"R_K_per_W": 1.5},
    "pad": PAD,
    "bar": BAR,
    "joint": {
        "area_mm2": 400, "pressure_MPa": 1.0, "roughness_um": 1.6, "slope": 0.15,
        "hardness_GPa": 1.0,
    },
    "spreading": {
        "source_mm2": 100, "plate_mm2": 900, "thickness_mm": 3, "conductivity_W_per_mK": 167,
        "onward_K_per_W": 6.0,
    },
}  # fmt: skip
POINTS = [[100, 300.0], [1000, 200.0]]
SCREW = {"count": 2, "thread_mm": 3, "torque_Nm": 0.5}
BY_POINTS = {"thickness_mm": None, "conductivity_W_per_mK": None, "impedance_points": POINTS}


@pytest.mark.parametrize(
    ("kind", "keys", "problem"),
    [
        ("stated", {}, None),
        ("stated", {"R_u_K_per_W": 0.1}, None),
        ("stated", {"R_u_K_per_W": 0.1, "R_tolerance": 0.1}, "one of them"),
        ("stated", {"R_tolerance": 0.99}, None),
        ("stated", {"R_tolerance": 1.0}, "relative: 0.10 for 10 %"),
        ("joint", {"pressure_MPa": 1.1e-3}, None),
        ("joint", {"pressure_MPa": 0.9e-3}, "9.0e-07; the formula holds from 1e-6 to 0.02"),
        ("joint", {"pressure_MPa": 19.9}, None),
        ("joint", {"pressure_MPa": 20.1}, "2.0e-02; the formula holds from 1e-6 to 0.02"),
        ("spreading", {"source_mm2": 899}, None),
        ("spreading", {"source_mm2": 900}, "not smaller than plate_mm2"),
        ("spreading", {"density_kg_per_m3": 2700}, "go together"),
        ("bar", {"specific_heat_J_per_kgK": 900}, "go together"),
        ("pad", {}, None),
        ("pad", {"thickness_mm": None}, "or impedance_points, are needed"),
        ("pad", {"conductivity_W_per_mK": None}, "or impedance_points, are needed"),
        ("pad", BY_POINTS, "impedance_points need screw"),
        ("pad", {**BY_POINTS, "screw": SCREW}, None),
        ("pad", {**BY_POINTS, "screw": SCREW, "contact_K_mm2_per_W": 1.0}, "hold the contact"),
        ("pad", {**BY_POINTS, "screw": SCREW, "impedance_points": POINTS[::-1]}, "must rise"),
        ("pad", {**BY_POINTS, "screw": SCREW, "impedance_points": POINTS[:1] * 2}, "must rise"),
    ],
)  # fmt: skip
def test_what_contradicts_itself_is_said(
    kind: str, keys: dict[str, Any], problem: str | None
) -> None:
    said = make(kind, **{**SOUND[kind], **keys}).problem()
    assert said is None if problem is None else problem in str(said)


@pytest.mark.parametrize(("torque_Nm", "outside"), [(0.00923, True), (0.00925, False)])
def test_a_pressure_beyond_the_points_is_remarked(torque_Nm: float, outside: bool) -> None:
    """100 kPa on 308 mm2 are 30.8 N: two M3 screws, K = 0.2, at 9.24 mN m each."""
    keys = {"area_mm2": 308, "impedance_points": POINTS, "screw": {**SCREW, "torque_Nm": torque_Nm}}
    said = make("pad", **keys).remark(10.0)
    assert (said is not None) is outside
    assert said is None or "press with 99.89 kPa, and the impedance points go from 100 to" in said


def test_a_pressure_above_the_points_is_remarked_and_one_at_the_last_is_not() -> None:
    """1000 kPa are 308 N: 92.4 mN m."""
    keys = {"area_mm2": 308, "impedance_points": POINTS}
    for torque_Nm, outside in ((0.0923, False), (0.0925, True)):
        stage = make("pad", **keys, screw={**SCREW, "torque_Nm": torque_Nm})
        assert (stage.remark(10.0) is not None) is outside


def test_a_pad_known_by_its_bulk_has_no_pressure_to_remark() -> None:
    assert make("pad", **PAD, screw=SCREW).remark(10.0) is None


@pytest.mark.parametrize(("rise_K", "said"), [(399.0, False), (400.0, True)])
def test_beyond_four_hundred_kelvins_a_surface_is_not_predicted(rise_K: float, said: bool) -> None:
    assert (make("surface", **BOX).remark(rise_K) is not None) is said


def test_heat_that_no_rise_gives_off_ends_at_four_hundred_kelvins() -> None:
    """10 kW from 100 cm2."""
    assert rise(make("surface", **BOX), 1e4) == pytest.approx(400.0)


def test_without_heat_a_surface_is_as_warm_as_the_air() -> None:
    assert rise(make("surface", **BOX), 0.0) == pytest.approx(0.0, abs=1e-6)


def test_what_a_stage_does_not_use_is_told() -> None:
    """By its bulk a pad needs no clamp; by its impedance points it needs no bulk."""
    assert make("pad", **PAD).unused() == {"clamp_factor", "impedance_factor"}
    by_points = make("pad", area_mm2=308, impedance_points=POINTS, screw=SCREW)
    assert by_points.unused() == {"thickness_mm", "conductivity_W_per_mK"}
    assert make("bar", **BAR).unused() == frozenset()


@pytest.mark.parametrize("value", [1e12, 1e-12])
def test_a_number_up_to_a_million_million_is_taken(value: float) -> None:
    assert make("stated", R_K_per_W=value).model_dump()["R_K_per_W"] == value


@pytest.mark.parametrize("value", [1.1e12, 0.9e-12, 0.0, -1.0, float("inf"), float("nan"), "1"])
def test_a_number_beyond_sense_is_a_slip(value: object) -> None:
    with pytest.raises(ValidationError):
        make("stated", R_K_per_W=value)


@pytest.mark.parametrize(("count", "taken"), [(0, False), (1, True), (1_000_000, True)])
def test_vias_are_counted_from_one_to_a_million(count: int, taken: bool) -> None:
    keys = {**VIAS, "count": count}
    if taken:
        assert make("via_array", **keys).model_dump()["count"] == count
        with pytest.raises(ValidationError):
            make("via_array", **{**keys, "count": 1_000_001})
    else:
        with pytest.raises(ValidationError):
            make("via_array", **keys)


def test_a_rectangular_tolerance_is_its_half_width_over_root_three() -> None:
    """JCGM 100, 4.3.7: 0.2 of 1.5 K/W is 0.3; 0.3 / sqrt(3) = 0.173205."""
    found = make("stated", R_K_per_W=1.5, R_tolerance=0.2).parts_u()["R_K_per_W"]
    assert found.u == pytest.approx(0.173205, rel=1e-5)
    assert found.value == 1.5


def test_clamp_force_is_that_of_all_screws() -> None:
    """F = T / (K d): 0.5 / (0.2 x 3e-3) = 833.3 N each."""
    assert Screw.model_validate(SCREW).force_N() == pytest.approx(2 * 833.333, rel=1e-5)


def test_a_source_drawn_as_large_as_its_plate_hardly_spreads() -> None:
    """Of the side of the plate 0.999 at most: 0.998 of its area."""
    plate = make("spreading", **SOUND["spreading"])
    drawn = {key: np.array([value, value]) for key, value in numbers(plate).items()}
    drawn["source_mm2"] = np.array([1000.0, 0.998001 * 900])
    beyond, at = plate.resistance(drawn)
    assert beyond == pytest.approx(at, rel=1e-9)


def test_a_plating_drawn_thicker_than_the_hole_leaves_a_bore() -> None:
    """0.49 of the drill at most."""
    vias = make("via_array", **VIAS)
    drawn = {key: np.array([value, value]) for key, value in numbers(vias).items()}
    drawn["plating_um"] = np.array([500.0, 0.49 * 600])
    thick, at = vias.resistance(drawn)
    assert thick == pytest.approx(at, rel=1e-12)


STATED_IN_THE_KIND: dict[str, dict[str, float]] = {
    "stated": {"R_K_per_W": 0.10},
    "via_array": {
        "plating_um": 0.10, "drill_mm": 0.03, "board_mm": 0.05, "conductivity_W_per_mK": 0.05,
        "spread_K_per_W": 0.20, "fill_W_per_mK": 0.10, "foil_um": 0.10,
    },
    "spreading": {
        "source_mm2": 0.02, "plate_mm2": 0.02, "thickness_mm": 0.02, "conductivity_W_per_mK": 0.05,
        "onward_K_per_W": 0.30,
    },
    "pad": {
        "conductivity_W_per_mK": 0.10, "thickness_mm": 0.05, "area_mm2": 0.02,
        "contact_K_mm2_per_W": 0.30, "clamp_factor": 0.20, "impedance_factor": 0.10,
    },
    "bar": {"conductivity_W_per_mK": 0.05, "length_mm": 0.01, "area_mm2": 0.01},
    "joint": {
        "area_mm2": 0.02, "pressure_MPa": 0.20, "roughness_um": 0.15, "slope": 0.15,
        "hardness_GPa": 0.10, "conductivity_W_per_mK": 0.05, "gap_W_per_mK": 0.05,
        "layer_um": 0.30, "bow_factor": 0.30,
    },
    "surface": {"emissivity": 0.06, "convection_factor": 0.20, "area_factor": 0.02},
}  # fmt: skip
"""Relative standard uncertainties where the user states none: common practice, and VDI 2230's 17 to
23 % of the clamp force of screws tightened by torque; each kind's docstring says the same."""


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_assumed_where_no_uncertainty_is_stated(kind: str) -> None:
    assert dict(KINDS[kind].default_u) == STATED_IN_THE_KIND[kind]


def test_contacts_are_the_pressed_joints_and_pads() -> None:
    """A high reading there is a poor contact; elsewhere only where the user says so."""
    assert {kind for kind, model in KINDS.items() if model.is_contact} == {"pad", "joint"}


BUILT: dict[str, dict[str, tuple[float, float]]] = {
    "via_array": {
        "drill_mm": (0.05, 10.0), "plating_um": (3.0, 500.0), "board_mm": (0.1, 10.0),
        "conductivity_W_per_mK": (20.0, 430.0), "foil_um": (5.0, 1000.0),
    },
    "pad": {"thickness_mm": (0.005, 25.0), "conductivity_W_per_mK": (0.03, 200.0)},
    "bar": {"length_mm": (0.1, 2000.0), "conductivity_W_per_mK": (0.1, 2500.0)},
}  # fmt: skip
"""Between what values such a thing is built (common practice): a film of grease to a gap pad of an
inch, felt to graphite through its plane; plastics to diamond; lead to silver."""


@pytest.mark.parametrize(
    ("kind", "key"), [(kind, key) for kind, keys in BUILT.items() for key in keys]
)
def test_what_is_built_is_taken_without_a_word_and_a_little_beyond_is_asked_about(
    kind: str, key: str
) -> None:
    sound = {"via_array": {**VIAS, "pitch_mm": 30.0, "foil_um": 35.0}, "pad": PAD, "bar": BAR}[kind]
    low, high = BUILT[kind][key]
    said = [
        bool([one for one in make(kind, **{**sound, key: value}).unusual() if one.startswith(key)])
        for value in (0.99 * low, low, high, 1.01 * high)
    ]
    assert said == [True, False, False, True]


def test_every_kind_asks_about_what_is_listed_and_nothing_else() -> None:
    """Kinds whose numbers have no usual range ask nothing."""
    assert {kind: set(model.usual) for kind, model in KINDS.items() if model.usual} == {
        kind: set(keys) for kind, keys in BUILT.items()
    }


DRAWN_IN: dict[str, dict[str, float]] = {
    "stated": {"R_K_per_W": 0.1},
    "via_array": {
        "count": 1.0, "drill_mm": 0.1, "plating_um": 5.0, "board_mm": 0.2, "foil_um": 35.0,
    },
    "spreading": {"thickness_mm": 0.5, "plate_mm2": 100.0, "conductivity_W_per_mK": 10.0},
    "pad": {"thickness_mm": 0.1, "area_mm2": 10.0, "conductivity_W_per_mK": 1.0},
    "bar": {"length_mm": 1.0, "area_mm2": 10.0, "conductivity_W_per_mK": 10.0},
    "joint": {"area_mm2": 10.0, "pressure_MPa": 0.1, "roughness_um": 0.1},
    "surface": {"emissivity": 0.05, "area_mm2": 1000.0},
}  # fmt: skip
"""Steps in which a designer changes his own inputs (common practice): drills by a tenth of a
millimetre, boards by a fifth, foil by an ounce per square foot, areas by what a rule can draw."""


@pytest.mark.parametrize("kind", KINDS)
def test_a_designers_inputs_are_changed_in_the_steps_they_are_drawn_in(kind: str) -> None:
    sound = {**SOUND, "via_array": {**VIAS, "pitch_mm": 1.2, "foil_um": 35.0}, "surface": BOX}[kind]
    free = make(kind, **sound).free()
    assert {key: step for key, (_, step) in free.items()} == DRAWN_IN[kind]
