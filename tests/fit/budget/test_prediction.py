"""What a budget predicts, and how sure."""

from __future__ import annotations

import json
from dataclasses import replace
from importlib.resources import as_file, files
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from fit.budget import predict, read_budget
from fit.budget.model import Budget, Conditions, Leak, Limits, Stage
from fit.budget.read import budget_from
from fit.budget.sampling import draw_stages

CONDITIONS = {"power_W": 4.0, "ambient_degC": 25.0, "path_fraction": 0.95, "path_fraction_u": 0.02}


def stated(name: str, ends: str, R: float, u: float, C: float = 0.0) -> dict[str, object]:
    start, end = ends.split(" to ")
    return {
        "name": name,
        "from": start,
        "to": end,
        "kind": "stated",
        "R_K_per_W": R,
        "R_u_K_per_W": u,
        "C_J_per_K": C,
    }


def two_stages(**more: object) -> Budget:
    tables = {
        "schema": 1,
        "conditions": CONDITIONS,
        "stage": [
            stated("inner", "tab to case", 2.0, 0.2, C=5.0),
            stated("outer", "case to ambient", 3.0, 0.3, C=200.0),
        ],
        **more,
    }
    return budget_from(tables, Path("budget.toml"))


@pytest.fixture
def controller() -> Budget:
    with as_file(files("heatrun_data") / "charge_controller" / "budget.toml") as path:
        return read_budget(path)


def test_rise_is_path_power_times_what_is_below() -> None:
    rise = predict(two_stages()).rise_K
    assert rise == {"tab": pytest.approx(19.0), "case": pytest.approx(11.4), "ambient": 0.0}


def test_power_and_ambient_of_a_run_replace_the_designs() -> None:
    prediction = predict(two_stages(), power_W=2.0, ambient_degC=40.0)
    assert prediction.rise_K["tab"] == pytest.approx(9.5)
    assert prediction.ambient_degC == 40.0


@pytest.mark.parametrize("power_W", [1.234567, 3.7582, 4.19421])
def test_a_stated_resistance_is_predicted_as_stated_at_any_power(power_W: float) -> None:
    budget = two_stages()
    stated_R = [stage.uncertain["R_K_per_W"].value for stage in budget.stages]
    assert predict(budget, power_W=power_W, draws=10).R_K_per_W.tolist() == stated_R


def test_monte_carlo_agrees_with_the_law_of_propagation() -> None:
    """JCGM 100, 5.1.2: for this linear sum the two must agree."""
    prediction = predict(two_stages(), draws=40000)
    expected = np.hypot(4.0 * 0.95 * np.hypot(0.2, 0.3), 4.0 * 0.02 * 5.0)
    assert prediction.rise_u_K["tab"] == pytest.approx(expected, rel=0.03)


def test_independent_stages_do_not_correlate() -> None:
    covariance = predict(two_stages(), draws=40000).R_covariance
    assert abs(covariance[0, 1]) < 0.02 * np.sqrt(covariance[0, 0] * covariance[1, 1])


def test_same_budget_gives_the_same_numbers() -> None:
    first, second = predict(two_stages()), predict(two_stages())
    assert np.array_equal(first.R_covariance, second.R_covariance)


def test_no_input_is_drawn_at_or_below_zero() -> None:
    tables = {
        "schema": 1,
        "conditions": CONDITIONS,
        "stage": [stated("all", "tab to ambient", 1.0, 0.9)],
    }
    drawn = draw_stages(budget_from(tables, Path("budget.toml")), 4000)[0]["R_K_per_W"]
    assert drawn.min() > 0
    assert drawn[1:].mean() == pytest.approx(1.0, abs=0.06)


def test_time_constants_are_those_of_the_ladder() -> None:
    """Poles of C1, R1, C2, R2 by hand: s^2 C1C2R1R2 + s (C1R1 + C1R2 + C2R2) + 1."""
    a, b = 5.0 * 200.0 * 2.0 * 3.0, 5.0 * 2.0 + 5.0 * 3.0 + 200.0 * 3.0
    expected = np.sort(-1 / np.roots([a, b, 1.0]))
    assert predict(two_stages()).tau_s == pytest.approx(expected)


def test_foster_amplitudes_add_up_to_the_rise() -> None:
    assert predict(two_stages()).foster_R_K_per_W.sum() == pytest.approx(5.0)


def test_budget_without_capacities_has_no_time_constants() -> None:
    tables = {
        "schema": 1,
        "conditions": CONDITIONS,
        "stage": [stated("all", "tab to ambient", 1.0, 0.1)],
    }
    assert len(predict(budget_from(tables, Path("budget.toml"))).tau_s) == 0


def test_side_leak_takes_its_share_by_the_divider_rule() -> None:
    leaking = two_stages(leak=[{"node": "case", "R_K_per_W": 27.0}])
    assert predict(leaking).rise_K["case"] == pytest.approx(3.8 * 2.7)


def test_stage_below_a_leak_seems_smaller() -> None:
    leaking = two_stages(leak=[{"node": "case", "R_K_per_W": 27.0}])
    assert predict(leaking).R_K_per_W == pytest.approx([2.0, 2.7])


def test_surface_follows_the_power(controller: Budget) -> None:
    assert predict(controller, power_W=8.0).R_K_per_W[-1] < predict(controller).R_K_per_W[-1]


def test_surface_resistance_is_that_of_its_own_rise(controller: Budget) -> None:
    prediction = predict(controller)
    through_W = prediction.power_W * controller.conditions.path_fraction
    assert prediction.R_K_per_W[-1] * through_W == pytest.approx(prediction.rise_K["case"])


def test_convection_is_among_what_matters_most(controller: Budget) -> None:
    assert ("case to air", "convection_factor") in [d[:2] for d in predict(controller).drivers[:2]]


def run_command(*words: str) -> tuple[int, str]:
    import typer

    from fit.commands.budget import command

    app = typer.Typer()
    app.command()(command)
    result = CliRunner().invoke(app, list(words), env={"COLUMNS": "120", "NO_COLOR": "1"})
    return result.exit_code, result.output


def test_command_gives_the_contracts_object(controller: Budget) -> None:
    status, output = run_command(str(controller.path), "--json")
    document = json.loads(output)
    assert status == 0
    assert document["schema"] == "heatrun.budget/1"
    assert [stage["to"] for stage in document["stages"]] == list(controller.nodes[1:])


def test_command_shows_where_the_kelvins_go(controller: Budget) -> None:
    status, output = run_command(str(controller.path))
    bars = {
        stage.name: line.count("█")
        for stage in controller.stages
        for line in output.splitlines()
        if line.strip().startswith(stage.name) and "█" in line
    }
    assert status == 0
    assert max(bars, key=lambda name: bars[name]) == "via array"


def test_time_constants_with_a_leak_are_those_of_the_leaky_ladder() -> None:
    """Poles of [[G, -G], [-G, G + G2 + leak]] over C1, C2 by the quadratic, worked by hand."""
    G, onward, C1, C2 = 0.5, 1 / 3 + 1 / 27, 5.0, 200.0
    trace, determinant = G / C1 + (G + onward) / C2, G * onward / (C1 * C2)
    root = np.sqrt(trace**2 - 4 * determinant)
    expected = [2 / (trace + root), 2 / (trace - root)]
    leaking = two_stages(leak=[{"node": "case", "R_K_per_W": 27.0}])
    assert predict(leaking).tau_s == pytest.approx(expected)


def test_stages_that_meet_are_a_tree() -> None:
    ends = [("tab_1", "bar"), ("bar", "case"), ("tab_2", "bar"), ("case", "ambient")]
    stages = tuple(Stage(f"{a} to {b}", a, b, "stated") for a, b in ends)
    leaks = (Leak("tab_1", 25.0, to_node="tab_2"),)
    conditions = Conditions(4.0, 25.0)
    budget = Budget("two parts", Path("budget.toml"), conditions, Limits(), stages, leaks)
    assert budget.nodes == ("tab_1", "bar", "tab_2", "case", "ambient")
    assert budget.tree.upstream("bar") == ("tab_1", "bar", "tab_2")
    assert budget.topology.links[-1] == ("tab_1", "tab_2")


def test_heat_that_goes_round_a_stage_lowers_its_drop_and_rejoins() -> None:
    """2 K/W beside 8 K/W to the case: four fifths pass the stage, all of it the case."""
    around = two_stages(leak=[{"node": "tab", "to": "case", "R_K_per_W": 8.0}])
    assert predict(around).rise_K["case"] == pytest.approx(3.8 * 3.0)
    assert predict(around).R_K_per_W == pytest.approx([1.6, 3.0])


def test_amplitudes_with_a_leak_add_up_to_the_rise() -> None:
    prediction = predict(two_stages(leak=[{"node": "tab", "R_K_per_W": 50.0}]))
    assert prediction.foster_R_K_per_W.sum() * 3.8 == pytest.approx(prediction.rise_K["tab"])


def test_a_leak_of_no_consequence_changes_no_time_constant() -> None:
    leaking = two_stages(leak=[{"node": "case", "R_K_per_W": 1e9}])
    assert predict(leaking).tau_s == pytest.approx(predict(two_stages()).tau_s)


def test_unsure_leak_makes_the_rise_unsure() -> None:
    known, unsure = (
        two_stages(leak=[{"node": "case", "R_K_per_W": 10.0, "R_K_per_W_u": u}]) for u in (0.0, 5.0)
    )
    assert predict(unsure).rise_u_K["case"] > predict(known).rise_u_K["case"]


def test_a_leak_without_an_uncertainty_is_exact() -> None:
    sure = replace(two_stages(), leaks=(Leak("case", 10.0),))
    assert not any(name.startswith("leak") for name, _, _ in predict(sure).drivers)


def one_stage(**more: object) -> Budget:
    tables = {
        "schema": 1,
        "conditions": CONDITIONS,
        "stage": [{**stated("all", "case to ambient", 3.0, 0.3, C=200.0), **more}],
    }
    return budget_from(tables, Path("budget.toml"))


def test_time_constant_is_as_sure_as_its_resistance_and_capacity() -> None:
    """tau = R C, so their relative uncertainties add in squares (JCGM 100, 5.1.6)."""
    prediction = predict(one_stage(C_J_per_K_u=40.0), draws=40000)
    assert prediction.tau_u_s[0] / prediction.tau_s[0] == pytest.approx(
        np.hypot(0.1, 0.2), rel=0.02
    )


def test_power_of_the_design_may_be_unsure() -> None:
    tables = {
        "schema": 1,
        "conditions": {"power_W": 4.0, "power_W_u": 0.8, "ambient_degC": 25.0},
        "stage": [stated("all", "case to ambient", 3.0, 0.01)],
    }
    prediction = predict(budget_from(tables, Path("budget.toml")), draws=40000)
    assert prediction.rise_u_K["case"] == pytest.approx(0.8 * 3.0, rel=0.02)
    assert prediction.drivers[0][:2] == ("conditions", "power_W")


def test_heat_a_surface_cannot_give_off_is_said() -> None:
    face = {"area_mm2": 9.0, "orientation": "up"}
    tiny = {"name": "lid", "from": "case", "to": "ambient", "kind": "surface", "emissivity": 0.9}
    tables = {"schema": 1, "conditions": CONDITIONS, "stage": [{**tiny, "faces": [face]}]}
    warning = predict(budget_from(tables, Path("budget.toml"))).warnings[0]
    assert warning.startswith("lid: the faces cannot give off this heat")


@pytest.mark.parametrize("power_W", [1e3, 3500.0, 35e3])
def test_where_the_prediction_stops_is_said_at_any_power(
    controller: Budget, power_W: float
) -> None:
    assert any("prediction stops" in said for said in predict(controller, power_W).warnings)


def test_temperatures_that_melt_solder_are_said(controller: Budget) -> None:
    assert not any("solder" in said for said in predict(controller).warnings)
    assert any(said.startswith("junction comes to") for said in predict(controller, 40.0).warnings)


def test_a_number_that_nobody_builds_is_said() -> None:
    vias = {"name": "vias", "from": "case", "to": "ambient", "kind": "via_array", "count": 16}
    keys = {"drill_mm": 300, "plating_um": 25, "board_mm": 1.6}
    tables = {"schema": 1, "conditions": CONDITIONS, "stage": [{**vias, **keys}]}
    (warning,) = predict(budget_from(tables, Path("budget.toml"))).warnings
    assert warning.startswith("vias: drill_mm = 300 is outside what is built")


def test_stage_budgeted_over_its_own_limit_is_said() -> None:
    stage = stated("pad", "tab to ambient", 2.0, 0.2) | {"limit_K_per_W": 1.5}
    tables = {
        "schema": 1,
        "conditions": {"power_W": 4.0, "ambient_degC": 25.0},
        "stage": [stage],
    }
    (warning,) = predict(budget_from(tables, Path("budget.toml"))).warnings
    assert warning.startswith("pad: 2.00 K/W is predicted, over its own limit_K_per_W of 1.5")


def test_pressure_beyond_the_points_of_the_data_sheet_is_said() -> None:
    pad = {
        "name": "pad",
        "from": "case",
        "to": "ambient",
        "kind": "pad",
        "area_mm2": 308,
        "impedance_points": [[100, 300.0], [1000, 200.0]],
        "screw": {"count": 2, "thread_mm": 3, "torque_Nm": 0.5},
    }
    tables = {"schema": 1, "conditions": CONDITIONS, "stage": [pad]}
    (warning,) = predict(budget_from(tables, Path("budget.toml"))).warnings
    assert "5411 kPa" in warning


@pytest.mark.parametrize(
    ("limit_degC", "words"), [(125, "within"), (50, "over it"), (98, "too close to say")]
)
def test_command_holds_the_junction_against_its_limit(
    controller: Budget, tmp_path: Path, limit_degC: float, words: str
) -> None:
    text = controller.path.read_text(encoding="utf-8")
    changed = tmp_path / "budget.toml"
    changed.write_text(text.replace("junction_degC = 125.0", f"junction_degC = {limit_degC}"))
    _, output = run_command(str(changed))
    said = [line for line in output.splitlines() if line.startswith("In air of 55 °C junction")]
    assert said == [line for line in said if words in line] != []


def test_inputs_are_ranked_by_their_share_of_the_variance() -> None:
    """3.8 W through 2 +- 0.2 and 3 +- 0.3 K/W, a share of 0.95 +- 0.02 of 20 K.

    Variances by the law of propagation: (3.8 0.2)^2, (3.8 0.3)^2 and (4 0.02 5)^2.
    """
    parts = np.array([1.14, 0.76, 0.4]) ** 2
    found = predict(two_stages(), draws=40000).drivers
    assert [name for name, _, _ in found] == ["outer", "inner", "conditions"]
    assert [share for _, _, share in found] == pytest.approx(parts / parts.sum(), abs=0.015)


def test_a_runs_own_power_is_no_doubt_of_the_budget() -> None:
    unsure = two_stages(conditions={**CONDITIONS, "power_W_u": 0.8})
    keys = {key for _, key, _ in predict(unsure, power_W=4.0).drivers}
    assert keys == {"R_K_per_W", "path_fraction"}
    assert "power_W" in {key for _, key, _ in predict(unsure).drivers}


def test_a_share_is_never_less_sure_than_half_of_itself() -> None:
    """0.1 +- 0.02 asked of a budget that states 0.95 +- 0.5: 0.05 of it."""
    sure = two_stages(
        conditions={**CONDITIONS, "path_fraction_u": 0.5},
        stage=[stated("all", "tab to ambient", 5.0, 1e-6)],
    )
    found = predict(sure, path_fraction=0.1, draws=40000)
    assert found.rise_u_K["tab"] == pytest.approx(4.0 * 0.05 * 5.0, rel=0.03)


def test_what_a_run_sees_is_the_drop_per_watt_that_enters() -> None:
    """A leak of 50 K/W at the tab beside 5 K/W: ten elevenths of every watt pass the stages."""
    leaking = two_stages(leak=[{"node": "tab", "R_K_per_W": 50.0}])
    assert predict(leaking).R_K_per_W == pytest.approx([2.0 / 1.1, 3.0 / 1.1])


def test_time_constant_of_a_usual_capacity_is_known_to_three_tenths() -> None:
    prediction = predict(one_stage(), draws=40000)
    found = prediction.tau_u_s[0] / prediction.tau_s[0]
    assert found == pytest.approx(np.hypot(0.1, 0.3), rel=0.02)
