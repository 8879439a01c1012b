"""A budget that uses what runs have taught."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fit.budget import predict
from fit.budget.inputs import Input, unsure_inputs
from fit.budget.learned import Learned, with_learned
from fit.budget.model import Budget
from fit.budget.read import budget_from
from fit.budget.sampling import draw_stages
from fit.budget.target import with_input
from fit.budget.uncertain import Uncertain
from fit.errors import BudgetError
from tests.fit.budget.test_prediction import stated

MANY = 200_000


def plate(name: str, ends: str, **more: object) -> dict[str, object]:
    start, end = ends.split(" to ")
    bar = {"kind": "bar", "length_mm": 40.0, "area_mm2": 100.0, "conductivity_W_per_mK": 200.0}
    return {"name": name, "from": start, "to": end, **bar} | more


def design(*stages: dict[str, object], **conditions: object) -> Budget:
    own = {"power_W": 4.0, "ambient_degC": 25.0} | conditions
    return budget_from({"schema": 1, "conditions": own, "stage": list(stages)}, Path("budget.toml"))


def one_bar(**more: object) -> Budget:
    return design(plate("bar", "tab to case", **more), stated("air", "case to ambient", 3.0, 0.3))


def nothing(budget: Budget) -> Learned:
    inputs = unsure_inputs(budget)
    return Learned(inputs, np.zeros(len(inputs)), np.eye(len(inputs)))


def knowing(budget: Budget, key: str, mean: float, variance: float) -> Learned:
    """One input learnt, nothing of the others."""
    known = nothing(budget)
    at = [one.key for one in known.inputs].index(key)
    mean_, covariance = known.mean.copy(), known.covariance.copy()
    mean_[at], covariance[at, at] = mean, variance
    return Learned(known.inputs, mean_, covariance)


def test_nothing_learnt_changes_nothing() -> None:
    budget = one_bar()
    before, after = predict(budget), predict(with_learned(budget, nothing(budget)))
    assert after.R_K_per_W == pytest.approx(before.R_K_per_W)
    assert np.diag(after.R_covariance) == pytest.approx(np.diag(before.R_covariance), rel=0.1)


def test_nothing_learnt_of_a_process_leaves_each_draw_as_it_was() -> None:
    """So that two designs, one taught and one not, differ by what was taught alone."""
    budget = one_bar(length_mm_u=4.0, shared={"length_mm": 1.0})
    before, after = (
        draw_stages(one, 200)[0]["length_mm"]
        for one in (budget, with_learned(budget, nothing(budget)))
    )
    assert after == pytest.approx(before, rel=1e-6)


@pytest.mark.parametrize("shape", ["lognormal", "rectangular"])
def test_moments_are_those_of_the_factors(shape) -> None:
    """By 200 000 draws; of a normal score with mean 0.7 and variance 0.4."""
    one = Input("pad", "pad", "thickness_mm", Uncertain(0.5, 0.1, shape), 1.0)
    score = 0.7 + np.sqrt(0.4) * np.random.default_rng(1).standard_normal(MANY)
    drawn = one.factor(score)
    assert one.moments(0.7, 0.4) == pytest.approx((drawn.mean(), drawn.std()), rel=0.01)


def test_what_is_the_units_own_stays_as_unsure_as_it_was() -> None:
    """Half of the variance is a length's own: of the process all is known, √½ is left."""
    budget = one_bar(length_mm_u=4.0)
    taught = with_learned(budget, knowing(budget, "length_mm", 0.0, 0.0))
    left = taught.stages[0].uncertain["length_mm"].u
    assert left / 4.0 == pytest.approx(np.sqrt(0.5), rel=0.03)


def test_what_is_stated_as_shared_is_learnt_whole() -> None:
    budget = one_bar(length_mm_u=4.0, shared={"length_mm": 1.0})
    taught = with_learned(budget, knowing(budget, "length_mm", 0.0, 0.0))
    assert taught.stages[0].uncertain["length_mm"].u < 1e-9


def test_a_property_is_the_same_in_every_unit() -> None:
    budget = one_bar(length_mm_u=4.0)
    shared = {one.key: one.shared for one in unsure_inputs(budget)}
    assert shared["conductivity_W_per_mK"] == 1.0
    assert shared["length_mm"] == shared["area_mm2"] == 0.5


def test_correlations_are_kept_in_the_draws() -> None:
    budget = one_bar(shared={"length_mm": 1.0, "area_mm2": 1.0})
    known = nothing(budget)
    keys = [one.key for one in known.inputs]
    i, j = keys.index("length_mm"), keys.index("area_mm2")
    covariance = known.covariance.copy()
    covariance[i, j] = covariance[j, i] = 0.9
    taught = with_learned(budget, Learned(known.inputs, known.mean, covariance))
    drawn = draw_stages(taught, MANY)[0]
    ln = [np.log(drawn[key][1:]) for key in ("length_mm", "area_mm2")]
    assert np.corrcoef(ln)[0, 1] == pytest.approx(0.9, abs=0.01)


def test_a_dimension_keeps_its_ratio_in_a_design_of_another_size() -> None:
    known = knowing(one_bar(shared={"length_mm": 1.0}), "length_mm", 2.0, 0.01)
    longer = one_bar(length_mm=60.0, shared={"length_mm": 1.0})
    ratio = [
        with_learned(one, known).stages[0].uncertain["length_mm"].value / length
        for one, length in ((one_bar(), 40.0), (longer, 60.0))
    ]
    assert ratio[0] > 1.01
    assert ratio[0] == pytest.approx(ratio[1])


def test_another_material_is_not_taught_by_the_first() -> None:
    known = knowing(one_bar(), "conductivity_W_per_mK", 2.0, 0.01)
    copper = with_learned(one_bar(conductivity_W_per_mK=390.0), known)
    assert copper.stages[0].uncertain["conductivity_W_per_mK"].value == 390.0


def test_a_named_material_is_known_wherever_it_is_used() -> None:
    known = knowing(one_bar(material="alloy"), "conductivity_W_per_mK", -2.0, 0.01)
    other = design(
        plate("rail", "tab to case", material="alloy"), stated("lid", "case to ambient", 3.0, 0.3)
    )
    assert with_learned(other, known).stages[0].uncertain["conductivity_W_per_mK"].value < 190.0
    plain = design(plate("rail", "tab to case"), stated("lid", "case to ambient", 3.0, 0.3))
    assert with_learned(plain, known).learned is None


def test_a_named_material_is_one_quantity_in_two_stages() -> None:
    budget = design(
        plate("bar", "tab to case", material="alloy"),
        plate("lid", "case to ambient", material="alloy"),
    )
    one, other = (drawn["conductivity_W_per_mK"] for drawn in draw_stages(budget, 100))
    assert one.tolist() == other.tolist()
    assert sum(one.key == "conductivity_W_per_mK" for one in unsure_inputs(budget)) == 1


def test_a_material_of_two_values_is_refused() -> None:
    with pytest.raises(BudgetError, match="is not what stage 'bar' states of 'alloy'"):
        design(
            plate("bar", "tab to case", material="alloy"),
            plate("lid", "case to ambient", material="alloy", conductivity_W_per_mK=150.0),
        )


def test_a_shared_key_that_the_stage_has_not_is_refused() -> None:
    with pytest.raises(BudgetError, match="shared: the stage states no number 'lenght_mm'"):
        one_bar(shared={"lenght_mm": 0.5})


def test_a_share_and_a_path_share_are_never_over_one() -> None:
    budget = design(
        plate("bar", "tab to case"), stated("air", "case to ambient", 3.0, 0.3),
        path_fraction=0.95, path_fraction_u=0.03,
    )  # fmt: skip
    taught = with_learned(budget, knowing(budget, "path_fraction", 5.0, 0.5))
    assert taught.conditions.path_fraction == 1.0
    assert predict(taught).rise_K["case"] == pytest.approx(12.0)


def test_what_was_learnt_stays_when_an_input_is_changed() -> None:
    budget = one_bar(shared={"length_mm": 1.0})
    taught = with_learned(budget, knowing(budget, "length_mm", 2.0, 0.01)).stages[0]
    longer = with_input(taught, "length_mm", 80.0)
    now = taught.uncertain["length_mm"].value
    assert longer.uncertain["length_mm"].value == pytest.approx(2 * now)


def test_a_budget_that_knows_none_of_it_stays_as_it_is() -> None:
    other = design(stated("lid", "case to ambient", 3.0, 0.3))
    assert with_learned(other, nothing(one_bar())) is other
