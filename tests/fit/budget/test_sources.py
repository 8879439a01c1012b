"""What several sources make of a product: the matrix, alone, together, how far each may go."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from fit.budget import predict, read_budget
from fit.budget.model import Budget
from fit.budget.read import budget_from
from fit.budget.sources import HIGHEST_W, outlook
from tests.fit.budget.test_prediction import run_command
from tests.support.made_trees import budget, changed, steady_degC, write_budget

# A watt at 1: G = [[1/2 + 1/10, -1/10], [-1/10, 1/4 + 1/10]] above the bar, whose inverse by
# Cramer's rule is [[0.35, 0.1], [0.1, 0.6]] / 0.2; and 5 K/W from the bar to ambient.
DETERMINANT = 0.6 * 0.35 - 0.01
BY_HAND = np.array([[0.35, 0.1], [0.1, 0.6]]) / DETERMINANT + 5.0


def two_parts(stages: list[dict] | None = None, **sources: dict) -> Budget:
    """Two parts, 2 and 4 K/W to a bar, 10 K/W between them, 5 K/W from the bar to ambient."""
    ends = [("one", "bar", 2.0), ("two", "bar", 4.0), ("bar", "ambient", 5.0)]
    own = [{"from": a, "to": b, "kind": "stated", "R_K_per_W": R} for a, b, R in ends]
    blocks = [
        {"name": f"part_{node}", "node": node, "power_W": power} | sources.get(node, {})
        for node, power in (("one", 3.0), ("two", 2.0))
    ]
    document = {
        "schema": 1,
        "conditions": {"ambient_degC": 20.0},
        "source": blocks,
        "stage": own if stages is None else stages,
        "leak": [{"node": "one", "to": "two", "R_K_per_W": 10.0}],
    }
    return budget_from(document, Path("budget.toml"))


def test_resistance_matrix_of_two_parts_and_a_leak_is_the_one_by_hand() -> None:
    matrix = predict(two_parts()).resistance_matrix_K_per_W
    assert matrix[:2] == pytest.approx(BY_HAND)
    assert matrix[2] == pytest.approx([5.0, 5.0])


def test_resistance_matrix_is_what_the_balances_of_the_nodes_give() -> None:
    matrix = predict(budget()).resistance_matrix_K_per_W
    rises = [steady_degC(one) for one in ((1.0, 0.0), (0.0, 1.0))]
    for node, row in zip(budget().tree.nodes, matrix, strict=True):
        assert row == pytest.approx([degC[node] - 25.0 for degC in rises])


def test_matrix_is_per_electrical_watt() -> None:
    matrix = predict(two_parts(two={"path_fraction": 0.8})).resistance_matrix_K_per_W
    assert matrix[:2, 0] == pytest.approx(BY_HAND[:, 0])
    assert matrix[:2, 1] == pytest.approx(0.8 * BY_HAND[:, 1])


def test_rises_are_the_matrix_times_the_powers() -> None:
    predicted = predict(two_parts())
    assert predicted.rise_K["one"] == pytest.approx(BY_HAND[0] @ [3.0, 2.0])
    assert predicted.power_W == 5.0


def test_a_power_for_each_source_is_taken() -> None:
    assert predict(two_parts(), (1.0, 4.0)).rise_K["two"] == pytest.approx(BY_HAND[1] @ [1.0, 4.0])


def test_one_power_is_shared_as_the_budget_does() -> None:
    assert predict(two_parts(), 10.0).source_power_W.tolist() == pytest.approx([6.0, 4.0])


def test_powers_for_other_than_the_sources_are_refused() -> None:
    with pytest.raises(ValueError, match="3 powers for 2 sources"):
        predict(two_parts(), (1.0, 2.0, 3.0))


def test_a_source_without_heat_warms_nothing() -> None:
    assert predict(two_parts(), (2.0, 0.0)).rise_K["one"] == pytest.approx(2.0 * BY_HAND[0, 0])


def beside(*R_K_per_W: float) -> Budget:
    stages = [
        {"name": f"{i}", "from": "one", "to": "bar", "kind": "stated", "R_K_per_W": R}
        for i, R in enumerate(R_K_per_W)
    ]
    rest = [
        {"from": "two", "to": "bar", "kind": "stated", "R_K_per_W": 4.0},
        {"from": "bar", "to": "ambient", "kind": "stated", "R_K_per_W": 5.0},
    ]
    return two_parts([*stages, *rest])


def test_stages_in_parallel_are_product_over_sum() -> None:
    """3 K/W beside 6 K/W are 3 · 6/(3 + 6) = 2 K/W."""
    pair = beside(3.0, 6.0)
    R = predict(pair).R_K_per_W
    assert pytest.approx([3.0, 6.0, 4.0, 5.0]) == R  # each stage its own
    assert pair.joined_resistance(R) == pytest.approx([2.0, 4.0, 5.0])
    assert predict(pair).resistance_matrix_K_per_W[:2] == pytest.approx(BY_HAND)


def test_heat_divides_between_stages_in_parallel_inversely_to_their_resistances() -> None:
    """Of what passes both, 6/(3 + 6) takes 3 K/W."""
    share = predict(beside(3.0, 6.0)).heat_share
    assert share is not None
    assert share[0] / (share[0] + share[1]) == pytest.approx(6 / 9)


def test_slope_of_a_joined_resistance_is_the_square_of_the_ratio() -> None:
    """d(R1 R2/(R1 + R2))/dR1 = (R2/(R1 + R2))^2, by the quotient rule."""
    pair = beside(3.0, 6.0)
    slope = pair.joined_slope(predict(pair).R_K_per_W)
    assert slope[0, :2] == pytest.approx([(6 / 9) ** 2, (3 / 9) ** 2])
    assert slope[1:, :2].tolist() == [[0.0, 0.0], [0.0, 0.0]]


def test_alone_and_together_are_by_one_power_and_by_both() -> None:
    one, two = outlook(two_parts(), None, 20.0)
    assert [one.alone_degC, two.alone_degC] == pytest.approx(
        [20 + 3 * BY_HAND[0, 0], 20 + 2 * BY_HAND[1, 1]]
    )
    assert [one.together_degC, two.together_degC] == pytest.approx(20 + BY_HAND @ [3.0, 2.0])


def test_allowable_power_takes_what_the_others_leave_of_the_limit() -> None:
    """(limit − ambient − Z_12 P_2)/Z_11."""
    one, two = outlook(two_parts(one={"limit_degC": 90.0}), None, 20.0)
    assert one.allowable_W == pytest.approx((70.0 - 2 * BY_HAND[0, 1]) / BY_HAND[0, 0], abs=1e-5)
    assert two.allowable_W is None


def test_a_small_allowable_power_is_found_too() -> None:
    """0.05 W beside the other's 2 W."""
    limit = 20 + 0.05 * BY_HAND[0, 0] + 2 * BY_HAND[0, 1]
    one, _ = outlook(two_parts(one={"limit_degC": float(limit)}), None, 20.0)
    assert one.allowable_W == pytest.approx(0.05, abs=1e-5)


def test_a_source_that_states_no_share_puts_all_of_its_power_on_the_path_for_sure() -> None:
    assert [one.path_fraction for one in two_parts().sources] == [1.0, 1.0]
    assert [one.path_fraction_u for one in two_parts().sources] == [0.0, 0.0]


def test_nothing_is_allowed_beside_others_that_are_too_much_already() -> None:
    one, _ = outlook(two_parts(one={"limit_degC": 25.0}), None, 20.0)
    assert one.allowable_W == 0.0


def test_powers_and_air_of_the_outlook_may_be_others() -> None:
    one, _ = outlook(two_parts(), (1.0, 5.0), 50.0)
    assert (one.power_W, one.together_degC) == (1.0, pytest.approx(50 + BY_HAND[0] @ [1.0, 5.0]))


def test_junction_limit_of_the_budget_is_that_of_a_first_node_without_its_own(
    tmp_path: Path,
) -> None:
    text = changed(("[limits]", "[limits]\njunction_degC = 90.0"), ("limit_degC = 105.0", ""))
    one, two = outlook(read_budget(write_budget(tmp_path, text)), None, 25.0)
    assert (one.limit_degC, two.limit_degC) == (90.0, 100.0)


def test_a_limit_far_beyond_any_power_is_the_highest_that_is_tried() -> None:
    cold = [
        {"from": "one", "to": "bar", "kind": "stated", "R_K_per_W": 1e-5},
        {"from": "two", "to": "bar", "kind": "stated", "R_K_per_W": 4.0},
        {"from": "bar", "to": "ambient", "kind": "stated", "R_K_per_W": 1e-5},
    ]
    one, _ = outlook(two_parts(cold, one={"limit_degC": 500.0}), None, 20.0)
    assert one.allowable_W == HIGHEST_W


def test_command_gives_every_source_and_the_matrix(tmp_path: Path) -> None:
    path = write_budget(tmp_path)
    status, output = run_command(str(path), "--json")
    document = json.loads(output)
    assert status == 0
    assert document["schema"] == "heatrun.budget/1"
    assert set(document["sources"]) == {"charger", "driver"}
    assert set(document["sources"]["driver"]) == {
        "node", "power_W", "alone_degC", "together_degC", "ambient_degC", "limit_degC",
        "allowable_power_W",
    }  # fmt: skip
    assert document["resistance_matrix"]["nodes"] == list(budget().tree.nodes)
    assert document["resistance_matrix"]["sources"] == ["charger", "driver"]
    found = np.array(document["resistance_matrix"]["K_per_W"])
    assert found == pytest.approx(predict(budget()).resistance_matrix_K_per_W)


def test_command_judges_sources_in_the_hottest_air(tmp_path: Path) -> None:
    _, output = run_command(str(write_budget(tmp_path)), "--json")
    charger = json.loads(output)["sources"]["charger"]
    assert charger["ambient_degC"] == 40.0
    assert charger["together_degC"] == pytest.approx(15.0 + steady_degC((4.0, 2.5))["tab_1"])


def test_command_shows_every_source_and_what_warms_what(tmp_path: Path) -> None:
    status, output = run_command(str(write_budget(tmp_path)))
    assert status == 0
    assert "Sources, in air of 40 °C" in output
    assert "Rise per watt of (K/W)" in output


def test_document_of_a_chain_has_no_sources(tmp_path: Path) -> None:
    text = (
        "schema = 1\n[conditions]\npower_W = 4.0\nambient_degC = 25.0\n"
        '[[stage]]\nfrom = "tab"\nto = "ambient"\nkind = "stated"\nR_K_per_W = 2.0\n'
    )
    _, output = run_command(str(write_budget(tmp_path, text)), "--json")
    assert not {"sources", "resistance_matrix"} & set(json.loads(output))


def test_a_chain_predicts_the_same_with_its_source_named() -> None:
    stages = [
        {"from": "tab", "to": "case", "kind": "stated", "R_K_per_W": 2.0, "R_u_K_per_W": 0.2},
        {"from": "case", "to": "ambient", "kind": "stated", "R_K_per_W": 3.0, "R_u_K_per_W": 0.3},
    ]
    plain = {"power_W": 4.0, "path_fraction": 0.9, "ambient_degC": 25.0}
    named = {"name": "lamp", "node": "tab", "power_W": 4.0, "path_fraction": 0.9}
    one, other = (
        predict(budget_from({"schema": 1, "stage": stages, **more}, Path("budget.toml")))
        for more in (
            {"conditions": plain},
            {"conditions": {"ambient_degC": 25.0}, "source": [named]},
        )
    )
    assert other.rise_K == pytest.approx(one.rise_K)
    assert other.R_K_per_W == pytest.approx(one.R_K_per_W)
    np.testing.assert_allclose(other.R_covariance, one.R_covariance)
