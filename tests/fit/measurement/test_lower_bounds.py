"""The least a span can be, by the drop already seen."""

from __future__ import annotations

import numpy as np
import pytest

from bench.virtual.prototype import Prototype, simulate
from fit.measurement.lower_bounds import least_K_per_W
from fit.measurement.spans import _not_below
from fit.records.run import Array
from fit.signals.preparation import Signals

LADDER = Prototype(("tab", "bar", "case", "ambient"), (2.0, 0.6, 3.0), (5.0, 20.0, 150.0))
NODES = ("tab", "bar", "case")


def heated(seconds: float, hot_start: bool = False, noise_K: float = 0.0) -> Signals:
    t_s = np.arange(0.0, 60.0 + seconds, 1.0)
    power = np.where(t_s >= 60.0, 4.0, 0.0)
    true = simulate(LADDER, t_s, power)
    temperature: Array = np.column_stack([true[node] for node in NODES])
    if noise_K:
        temperature += noise_K * np.random.default_rng(1).standard_normal(temperature.shape)
    still = np.zeros(3)
    return Signals(
        t_s, NODES, temperature, power, "W", still, still, (60.0,), (), (),
        hot_start=hot_start, noise_K=np.full(3, noise_K),
    )  # fmt: skip


@pytest.mark.parametrize("seconds", [30, 90, 600, 3000])
def test_true_spans_are_never_below_what_was_shown(seconds: float) -> None:
    assert (least_K_per_W(heated(seconds, noise_K=0.05), NODES) <= [2.0, 0.6]).all()


def test_settled_record_has_shown_nearly_all_of_a_span() -> None:
    assert least_K_per_W(heated(3000), NODES) == pytest.approx([2.0, 0.6], rel=0.02)


def test_record_that_begins_warm_shows_nothing() -> None:
    assert (least_K_per_W(heated(600, hot_start=True), NODES) == 0).all()


def test_record_without_a_soak_shows_nothing() -> None:
    signals = heated(600)
    signals.zero_power_offset_u_K[:] = np.nan
    assert (least_K_per_W(signals, NODES) == 0).all()


def test_span_below_what_was_shown_becomes_unknown() -> None:
    spans, covariance = _not_below(
        np.array([1.0, 0.5]), np.array([0.02, 0.6]), {"fit": 1e-6 * np.eye(2)}
    )
    assert spans == pytest.approx([2.0, 0.6])
    assert np.sqrt(np.diag(covariance["fit"])) == pytest.approx([2.0, 0.001], rel=1e-3)
