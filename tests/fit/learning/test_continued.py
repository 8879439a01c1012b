"""Learning that goes on from what was learnt: the same as from all runs at once."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fit.budget.learned import Learned
from fit.budget.model import Array, Budget
from fit.budget.read import budget_from
from fit.errors import NotIdentifiable
from fit.learning.history import IN_COMMON, Earlier
from fit.learning.learn import Taught, learn
from fit.learning.lesson import Lesson
from tests.fit.budget.test_learned import plate
from tests.fit.budget.test_prediction import stated
from tests.fit.learning.test_learn import U_K_PER_W, budget, lesson

SCORE = st.floats(-2.0, 2.0)  # standard deviations: beyond, a run is refused or nearly so
PAIR = st.tuples(SCORE, SCORE)
NOISE_U = 0.02  # relative, of a span as `lesson` has it


@st.composite
def measured(draw: st.DrawFn, least: int, most: int) -> tuple[Budget, list[Lesson]]:
    """A budget, and what units of one process show of it."""
    shared, process = draw(st.sampled_from([0.3, 0.5, 1.0])), np.array(draw(PAIR))
    own = budget(shared=shared, share_u=0.02)
    lessons = []
    for unit, noise in draw(st.lists(st.tuples(PAIR, PAIR), min_size=least, max_size=most)):
        score = np.sqrt(shared) * process + np.sqrt(1 - shared) * np.array(unit)
        factors = true_over_stated(score) * np.exp(NOISE_U * np.array(noise))
        lessons.append(lesson(own, tuple(factors), u=NOISE_U))
    return own, lessons


def true_over_stated(score: Array) -> Array:
    """Of a lognormal number that is stated to 10 %."""
    s = np.sqrt(np.log1p(0.1**2))
    return np.asarray(np.exp(s * score - s**2 / 2))


def as_read(taught: Taught) -> Earlier:
    """What was learnt, as its file is read."""
    return Earlier("earlier.json", taught.learned, taught.runs, taught.warnings)


def continued(of: Budget, first: list[Lesson], second: list[Lesson], **how: bool) -> Taught:
    return learn(of, second, earlier=as_read(learn(of, first, **how)), **how)


def u(learned: Learned) -> Array:
    return np.sqrt(np.diag(learned.covariance))


def assert_alike(one: Learned, other: Learned) -> None:
    """Up to chance in the draws and the curvature of ln R: of 250 truths drawn within the scores
    above, means lay apart by 0.16 of the u at most, and uncertainties by 2.5 %."""
    assert one.inputs == other.inputs
    assert (np.abs(one.mean - other.mean) < 0.25 * u(other)).all()
    assert u(one) == pytest.approx(u(other), rel=0.05)


@settings(max_examples=15)
@given(measured(2, 4))
def test_in_two_parts_is_as_at_once(units) -> None:
    own, lessons = units
    at_once = learn(own, lessons, force=True).learned
    assert_alike(continued(own, lessons[:1], lessons[1:], force=True).learned, at_once)


@settings(max_examples=15)
@given(measured(2, 2))
def test_the_order_of_the_parts_is_nothing(units) -> None:
    own, (a, b) = units
    one = continued(own, [a], [b], force=True).learned
    assert_alike(one, continued(own, [b], [a], force=True).learned)


def test_truths_are_held_after_two_parts_as_often_as_stated(monkeypatch) -> None:
    """300 intervals of 95 % for 150 truths of two units each; the chance of fewer than 270 or more
    than 297 is 1e-4 each, by the binomial distribution."""
    monkeypatch.setattr("fit.learning.learn.DRAWS", 2000)
    own, random = budget(shared=0.5), np.random.default_rng(11)
    held = 0
    for _ in range(150):
        process = random.standard_normal(2)
        units = (process + random.standard_normal((2, 2))) * np.sqrt(0.5)
        factors = true_over_stated(units) * np.exp(NOISE_U * random.standard_normal((2, 2)))
        first, second = ([lesson(own, tuple(one))] for one in factors)
        found = continued(own, first, second, force=True).learned
        held += int((np.abs(process - found.mean) < 1.96 * u(found)).sum())
    assert 270 <= held <= 297


def test_a_rigs_own_errors_count_as_new_each_time_and_that_is_said() -> None:
    """Power to 5 %, spans to 0.1 %: twice on one rig leaves 5 %, taken for two rigs √½ of it."""
    own = budget(u=(0.6, 0.9))
    runs = [lesson(own, u=1e-3, power_u=0.05)]
    at_once, in_two = learn(own, runs * 2), continued(own, runs, runs)
    assert u(in_two.learned) / u(at_once.learned) == pytest.approx(
        np.sqrt(0.5) * np.ones(2), abs=0.05
    )
    assert IN_COMMON in in_two.warnings
    assert IN_COMMON not in at_once.warnings


def test_it_is_said_once_however_often_it_goes_on() -> None:
    own = budget(shared=0.5)
    twice = continued(own, [lesson(own)], [lesson(own)])
    third = learn(own, [lesson(own)], earlier=as_read(twice))
    assert list(third.warnings) == list(dict.fromkeys(third.warnings))
    assert len(third.warnings) == len(twice.warnings) == 2


def test_what_was_too_small_before_stays_said() -> None:
    own = budget()
    first = as_read(learn(own, [lesson(own)]))
    stated_well = lesson(own, power_u=0.01)
    assert not stated_well.warnings
    assert any(
        "not stated in the rig" in said
        for said in learn(own, [stated_well], earlier=first).warnings
    )


def test_a_bad_unit_is_refused_that_the_budget_alone_would_take() -> None:
    """15 % high where the budget states 10 % and three units have shown 2 %."""
    own = budget()
    bad = lesson(own, (1.15, 1.0))
    assert learn(own, [bad]).runs[0].taught
    known = as_read(learn(own, [lesson(own)] * 3))
    with pytest.raises(
        NotIdentifiable, match=r"the budget as learnt would show such spans in .* tab to case least"
    ):
        learn(own, [bad], earlier=known)


def test_a_unit_that_earlier_ones_have_shown_is_no_longer_refused() -> None:
    own = budget()
    high = lesson(own, (1.4, 1.0))
    with pytest.raises(NotIdentifiable):
        learn(own, [high])
    known = as_read(learn(own, [high] * 2, force=True))
    assert learn(own, [high], earlier=known).runs[0].taught


def other_product(name: str, material: str = "alloy") -> Budget:
    """A bar of a material that another product has too, and joint and air of its own."""
    stages = [
        plate(name, "tab to case", material=material, length_mm_u=4.0, shared={"length_mm": 1.0}),
        stated(f"air of {name}", "case to ambient", 3.0, 0.3) | {"shared": {"R_K_per_W": 1.0}},
    ]
    conditions = {"power_W": 4.0, "ambient_degC": 25.0, "path_fraction": 0.95}
    tables = {"schema": 1, "conditions": conditions, "stage": stages}
    return budget_from(tables, Path(f"{name}.toml"))


def place(learned: Learned, owner: str) -> int:
    return next(i for i, one in enumerate(learned.inputs) if one.owner == owner)


def test_a_material_is_taken_on_to_another_product_and_nothing_is_lost() -> None:
    """Bar, then rail of the same alloy, then bar again without a word of the rail's."""
    bar, rail = other_product("bar"), other_product("rail")
    first = learn(bar, [lesson(bar, (1.1, 1.0))])
    second = learn(rail, [lesson(rail, (1.05, 1.0))], earlier=as_read(first))
    before, after = first.learned, second.learned
    assert {one.name for one in before.inputs} < {one.name for one in after.inputs}
    assert u(after)[place(after, "alloy")] < u(before)[place(before, "alloy")]
    third = learn(bar, [lesson(bar, (1.1, 1.0))], earlier=as_read(second)).learned
    assert {one.name for one in third.inputs} == {one.name for one in after.inputs}


def test_what_hangs_together_with_the_material_moves_with_it() -> None:
    """The bar was 10 % high: its alloy poor or its length long. The rail shows a good alloy."""
    bar, rail = other_product("bar"), other_product("rail")
    before = learn(bar, [lesson(bar, (1.1, 1.0))])
    after = learn(rail, [lesson(rail, (0.95, 1.0))], earlier=as_read(before)).learned
    assert after.mean[place(after, "bar")] > before.learned.mean[place(before.learned, "bar")]


def test_what_does_not_hang_together_stays_as_it_was() -> None:
    bar, rail = other_product("bar"), other_product("rail", material="steel")
    before = learn(bar, [lesson(bar, (1.1, 1.0))]).learned
    after = learn(rail, [lesson(rail)], earlier=Earlier("f", before, ())).learned
    there = [after.inputs.index(one) for one in before.inputs]
    assert after.mean[there] == pytest.approx(before.mean, abs=1e-12)
    assert after.covariance[np.ix_(there, there)] == pytest.approx(before.covariance, abs=1e-12)


def test_two_products_teach_their_material_in_either_order() -> None:
    bar, rail = other_product("bar"), other_product("rail")
    a, b = [lesson(bar, (1.1, 1.0))], [lesson(rail, (1.02, 0.95))]
    one = learn(rail, b, earlier=as_read(learn(bar, a))).learned
    other = learn(bar, a, earlier=as_read(learn(rail, b))).learned
    order = [other.inputs.index(known) for known in one.inputs]
    assert one.mean == pytest.approx(other.mean[order], abs=0.1)
    assert one.covariance == pytest.approx(other.covariance[np.ix_(order, order)], abs=0.03)


def test_the_budgets_own_inputs_are_more_unsure_than_what_is_left() -> None:
    own = budget(shared=0.5)
    taught = continued(own, [lesson(own)], [lesson(own)])
    assert (u(taught.learned) < u(taught.prior.known)).all()
    assert len(taught.prior.inputs) == len(U_K_PER_W)
