"""Several sources without a budget: against the made product, and what is refused."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from fit.errors import NotIdentifiable
from fit.identification.several_inputs import SourcesResponse, check_apart, identify_sources
from fit.records.run import Run
from tests.support.made_trees import SOURCES, made_run, steady_degC

POWER = np.array([[0.0, 0.0], [4.0, 2.0], [4.0, 2.0], [4.0, 0.0]])


@cache
def record() -> Run:
    return made_run(off_s=(4000, 4600), end_s=5200, noise_K=0.03)


@cache
def found(reference: str) -> SourcesResponse:
    return identify_sources(record(), reference)


@pytest.mark.parametrize("reference", ["ambient", "case"])
def test_rise_of_every_node_by_every_source_is_the_products_own(reference: str) -> None:
    """By the balances of its nodes at rest, which know nothing of time constants."""
    response = found(reference)
    for s, watt in enumerate(((1.0, 0.0), (0.0, 1.0))):
        at_rest = steady_degC(watt)
        true = [at_rest[node] - at_rest[reference] for node in response.nodes]
        assert np.abs(response.Z_K_per_W[:, s] - true).max() < 0.01
        assert np.all(np.abs(response.Z_K_per_W[:, s] - true) < 3.5 * response.Z_u_K_per_W[:, s])


def test_a_watt_at_one_warms_the_other_as_the_other_warms_it() -> None:
    """Which no network is there to impose."""
    response = found("case")
    one, other = (response.nodes.index(node) for node in ("tab_1", "tab_2"))
    apart = response.Z_K_per_W[one, 1] - response.Z_K_per_W[other, 0]
    assert abs(apart) < 3 * np.hypot(response.Z_u_K_per_W[one, 1], response.Z_u_K_per_W[other, 0])


def test_the_order_may_be_asked_for() -> None:
    assert len(identify_sources(record(), "case", order=2).tau_s) == 2


@pytest.mark.parametrize(
    ("off_s", "on", "said"),
    [
        ((600, 600), (True, True), "charger and driver only change together"),
        ((600, 600), (True, False), "the power of 'driver' never changes"),
    ],
)
def test_sources_that_never_change_apart_are_refused_in_words(
    off_s: tuple[int, int], on: tuple[bool, bool], said: str
) -> None:
    with pytest.raises(NotIdentifiable, match=said):
        identify_sources(made_run(off_s=off_s, on=on, end_s=900.0))


def test_three_of_which_two_always_add_up_to_the_third_are_named() -> None:
    both = np.column_stack([POWER, POWER.sum(axis=1)])
    with pytest.raises(NotIdentifiable, match="charger and driver and fan only change together"):
        check_apart(both, (*SOURCES, "fan"))


def test_a_source_that_changes_apart_is_not_named_with_those_that_do_not() -> None:
    twice = np.column_stack([POWER, 0.5 * POWER[:, 0]])
    with pytest.raises(NotIdentifiable, match="charger and fan only change together"):
        check_apart(twice, (*SOURCES, "fan"))


def test_sources_that_change_apart_are_taken() -> None:
    check_apart(POWER, SOURCES)
