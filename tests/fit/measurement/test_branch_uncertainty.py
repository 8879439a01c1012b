"""Covariance of a tree's spans beyond that of the fit: two sources on one bar, by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from fit.measurement.branch_uncertainty import (
    Identified,
    discrepancy,
    power_and_shares,
    sensor_match,
)
from fit.network.topology import Topology, chain

# Spans: a branch each, and the joint that both pass.
HEAT_W = np.array([[3.0, 0.0], [0.0, 1.0], [3.0, 1.0]])
R_K_PER_W = np.array([2.0, 4.0, 0.5])


def found(*shares: tuple[float, float]) -> Identified:
    """Two sources whose path fractions are given, each with its uncertainty."""
    sources = [SimpleNamespace(path_fraction=one, path_fraction_u=u) for one, u in shares]
    budget = SimpleNamespace(sources=sources)
    return cast(
        Identified, SimpleNamespace(heat_W=HEAT_W, through_W=HEAT_W.sum(axis=1), budget=budget)
    )


def relative_u(covariance: np.ndarray) -> np.ndarray:
    return np.sqrt(np.diag(covariance)) / R_K_PER_W


def test_a_share_is_as_unsure_as_it_is_relative_to_itself() -> None:
    """0.01 of a half are 2 %, 0.01 of a quarter 4 %; of 3 W + 1 W in the joint √(6² + 4²)/4."""
    covariance = power_and_shares(found((0.5, 0.01), (0.25, 0.01)), R_K_PER_W, 0.0)
    assert relative_u(covariance) == pytest.approx([0.02, 0.04, 0.01 * np.hypot(6, 4) / 4])


def test_power_and_share_of_a_source_are_unsure_together() -> None:
    """3-4-5; JCGM 100, 5.1.2."""
    covariance = power_and_shares(found((0.5, 0.02), (1.0, 0.0)), R_K_PER_W, 0.03)
    assert relative_u(covariance)[:2] == pytest.approx([0.05, 0.03])


def test_branches_err_apart_and_each_with_what_both_pass() -> None:
    """The joint has 3/4 of the one source's error and 1/4 of the other's."""
    covariance = power_and_shares(found((1.0, 0.0), (1.0, 0.0)), R_K_PER_W, 0.02)
    correlation = covariance / 0.02**2 / np.outer(R_K_PER_W, R_K_PER_W)
    assert correlation[0, 1] == 0.0
    assert correlation[2, :2] == pytest.approx([0.75, 0.25])


OWN = 0.35  # of what a model adds to the drop reached, see fit/docs/numbers.md
WATTS = 4.0
PATH = chain(["tab", "bar", "case"])


def fitted_path(
    *,
    reached_K: tuple[float, ...] = (9.0, 1.9),
    misfit_K: tuple[float, ...] = (0.0, 0.0),
    hidden: tuple[str, ...] = (),
    chips: frozenset[str] = frozenset(),
) -> Identified:
    """A path of 2 and 0.5 K/W at 4 W: 10 K and 2 K at rest; noise where no misfit is."""
    measured = [i for i, node in enumerate(PATH.nodes) if node not in hidden]
    off = np.array([[1.0], [-1.0]]) * np.array(misfit_K)[measured]
    course = np.array([0.5, 1.0])[:, np.newaxis] * np.array(reached_K)[measured]
    # The last row has no weight: whatever it reads is no misfit.
    rise_K = np.vstack([course + off, np.full(len(measured), 99.0)])
    value = np.vstack([course, np.zeros(len(measured))])
    record = SimpleNamespace(
        rise_K=rise_K,
        weight=np.vstack([np.ones_like(course), np.zeros(len(measured))]),
        noise_cost=200.0,
        noise_cost_sd=20.0,
        nodes=tuple(PATH.nodes[i] for i in measured),
    )

    class Model:
        layout = SimpleNamespace(measured=measured)

        def __init__(self) -> None:
            self.record = record

        def __call__(self, g: object) -> tuple[np.ndarray, None]:
            return value, None

        def by_source(self, g: object) -> np.ndarray:
            return -course[np.newaxis]  # the largest, whichever way

    network = SimpleNamespace(
        topology=PATH, hidden=hidden, chips=chips, found=np.array([True, True])
    )
    fitted = SimpleNamespace(
        model=Model(), network=network, R_K_per_W=np.array([2.0, 0.5]), g=None,
        cost=200.0 if not any(misfit_K) else 1000.0,
    )  # fmt: skip
    return cast(
        Identified,
        SimpleNamespace(
            fitted=fitted, topology=PATH, path_W=np.array([WATTS]), through_W=np.full(2, WATTS)
        ),
    )


def u_K(covariance: np.ndarray) -> np.ndarray:
    return np.sqrt(np.diag(covariance)) * WATTS


def test_a_span_is_as_doubtful_as_what_its_network_adds_to_the_drop_reached() -> None:
    """1.0 K to come at the tab and 0.1 K at the bar: 0.9 K and 0.1 K of the drops."""
    covariance = discrepancy(fitted_path())
    assert u_K(covariance) == pytest.approx([OWN * 0.9, OWN * 0.1])
    assert np.count_nonzero(covariance - np.diag(np.diag(covariance))) == 0


def test_what_the_network_does_not_describe_is_doubted_at_both_ends() -> None:
    """Readings ±0.3 K off at the tab and ±0.4 K at the bar: 0.5 K between, 0.4 K to the case."""
    covariance = discrepancy(fitted_path(reached_K=(10.0, 2.0), misfit_K=(0.3, 0.4)))
    assert u_K(covariance) == pytest.approx([0.5, 0.4])


def test_misfit_and_extrapolation_are_unsure_together() -> None:
    covariance = discrepancy(fitted_path(misfit_K=(0.3, 0.4)))
    assert u_K(covariance) == pytest.approx(np.hypot([OWN * 0.9, OWN * 0.1], [0.5, 0.4]))


def test_of_a_node_nobody_measured_as_little_is_known_as_of_those_above() -> None:
    """The bar's 0 to 1 K to come are the tab's: 1 K of either drop, and the tab's misfit twice."""
    covariance = discrepancy(fitted_path(misfit_K=(0.3, 0.0), hidden=("bar",)))
    assert u_K(covariance) == pytest.approx(
        np.hypot([OWN * 1.0, OWN * 1.0], [0.3 * np.sqrt(2), 0.3])
    )


def match(topology: Topology, through_W: list[float], match_u: dict[str, float]) -> np.ndarray:
    """Of nodes that go from 20 to 60, 50, 30 and 21 degC."""
    ends = dict(zip(("tab", "bar", "case", "ambient"), (60.0, 50.0, 30.0, 21.0), strict=True))
    nodes = tuple(node for node in ends if node in (*topology.nodes, topology.reference))
    readings = np.array([[20.0] * len(nodes), [np.nan] * len(nodes), [ends[n] for n in nodes]])
    return sensor_match(
        cast(
            Identified,
            SimpleNamespace(
                topology=topology,
                through_W=np.array(through_W),
                signals=SimpleNamespace(nodes=nodes, temperature_degC=readings),
            ),
        ),
        match_u,
    )


def test_a_channels_match_is_a_share_of_its_rise_in_both_spans_that_meet_there() -> None:
    """1 % of 30 K at the bar: 0.3 K over 3 W above it, over 4 W and with the other sign below."""
    covariance = match(PATH, [3.0, 4.0], {"bar": 0.01})
    assert covariance == pytest.approx(np.array([[0.1**2, -0.1 * 0.075], [-0.0075, 0.075**2]]))


def test_the_references_match_counts_in_the_last_span_alone() -> None:
    """2 % of the case's 10 K over 4 W."""
    covariance = match(PATH, [3.0, 4.0], {"case": 0.02, "elsewhere": 0.5})
    assert covariance == pytest.approx(np.diag([0.0, 0.05**2]))
