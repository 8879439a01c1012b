"""What is known before the runs: brought together by name, and taken on without loss."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fit.budget.inputs import unsure_inputs
from fit.budget.learned import Learned
from fit.budget.model import Array, Budget
from fit.learning.ensemble import standardized, update
from fit.learning.prior import Prior, prior_of
from tests.fit.budget.test_learned import design, knowing, nothing, one_bar, plate
from tests.fit.budget.test_prediction import stated

DRAWS = 2000


def alloys(name: str, **more: object) -> Budget:
    """A bar of the named material, and air."""
    return design(
        plate(name, "tab to case", material="alloy", **more),
        stated(f"air of {name}", "case to ambient", 3.0, 0.3),
    )


def covariance(random: np.random.Generator, d: int) -> Array:
    root = random.standard_normal((d, d))
    return np.asarray(root @ root.T / d)


def place(known: Learned, owner: str, key: str) -> int:
    return [one.name for one in known.inputs].index((owner, key))


def test_without_an_earlier_file_it_is_as_the_budget_states() -> None:
    prior = prior_of(one_bar())
    assert prior.inputs == prior.known.inputs == unsure_inputs(one_bar())
    assert not prior.known.mean.any()
    assert np.array_equal(prior.known.covariance, np.eye(prior.own))
    assert np.array_equal(prior.G, np.eye(prior.own))


@settings(max_examples=50)
@given(seed=st.integers(0, 2**32 - 1), own=st.integers(1, 5), rest=st.integers(0, 4))
def test_a_linear_measurement_leaves_of_all_inputs_what_bayes_says(seed, own, rest) -> None:
    """C' = C − C Hᵀ (H C Hᵀ + S)⁻¹ H C and the mean with it, H being of the own inputs alone
    (conditional of a joint normal distribution: Gelman et al., Bayesian Data Analysis; memory)."""
    random = np.random.default_rng(seed)
    d, m = own + rest, int(random.integers(1, 4))
    C, mean = covariance(random, d), random.standard_normal(d)
    H = np.hstack([random.standard_normal((m, own)), np.zeros((m, rest))])
    S, y = covariance(random, m) + 0.1 * np.eye(m), random.standard_normal(m)
    inputs = unsure_inputs(one_bar())[:1] * d
    prior = Prior(Learned(inputs, mean, C), own)
    z = standardized(random.standard_normal((DRAWS, own)))
    after = prior.after(update(z, prior.scores(z).T @ H[:, :own].T, y, S))
    gain = C @ H.T @ np.linalg.inv(H @ C @ H.T + S)
    scale = np.abs(C).max()
    assert after.mean == pytest.approx(mean + gain @ (y - H @ mean), abs=1e-6 * scale)
    assert after.covariance == pytest.approx(C - gain @ H @ C, abs=1e-6 * scale)


def test_what_is_known_exactly_teaches_nothing_of_the_rest() -> None:
    """A covariance without rank: of two inputs the sum is known."""
    C = np.array([[1.0, -1.0, 0.3], [-1.0, 1.0, -0.3], [0.3, -0.3, 1.0]])
    prior = Prior(Learned(unsure_inputs(one_bar())[:1] * 3, np.zeros(3), C), 2)
    again = prior.G @ prior.G[:2].T
    assert again == pytest.approx(C[:, :2], abs=1e-9)


def test_known_inputs_come_as_learnt_and_new_ones_as_stated() -> None:
    prior = prior_of(alloys("rail"), knowing(alloys("bar"), "conductivity_W_per_mK", -2.0, 0.1))
    at = place(prior.known, "alloy", "conductivity_W_per_mK")
    assert (prior.known.mean[at], prior.known.covariance[at, at]) == (-2.0, 0.1)
    new = place(prior.known, "rail", "length_mm")
    assert (prior.known.mean[new], prior.known.covariance[new, new]) == (0.0, 1.0)


def test_inputs_of_another_product_are_kept_with_their_correlations() -> None:
    before = nothing(alloys("bar"))
    learned = Learned(
        before.inputs,
        np.arange(len(before.inputs), dtype=float),
        covariance(np.random.default_rng(1), len(before.inputs)),
    )
    known = prior_of(alloys("rail"), learned).known
    there = [known.inputs.index(one) for one in before.inputs]
    assert known.mean[there] == pytest.approx(learned.mean)
    assert known.covariance[np.ix_(there, there)] == pytest.approx(learned.covariance)


def test_another_material_under_the_same_name_starts_as_stated_and_the_first_is_kept() -> None:
    learned = knowing(one_bar(), "conductivity_W_per_mK", 2.0, 0.01)
    prior = prior_of(one_bar(conductivity_W_per_mK=390.0), learned)
    found = [
        (one.number.value, float(mean))
        for one, mean in zip(prior.known.inputs, prior.known.mean, strict=True)
        if one.key == "conductivity_W_per_mK"
    ]
    assert found == [(390.0, 0.0), (200.0, 2.0)]


def test_a_dimension_is_known_by_its_ratio_to_the_new_drawing() -> None:
    learned = knowing(one_bar(length_mm_u=4.0), "length_mm", 2.0, 0.01)
    known = prior_of(one_bar(length_mm=60.0), learned).known
    number = known.inputs[place(known, "bar", "length_mm")].number
    assert (number.value, number.u) == pytest.approx((60.0, 6.0))
