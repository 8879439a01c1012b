"""The least a span can be, by the drop already seen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bench.virtual.prototype import Prototype, simulate
from fit.measurement.lower_bounds import end_degC, least_K_per_W
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


SHOWN = ("tab", "bar")


def held(scans: int = 100, slope_K_per_s: float = 0.0, **changed: object) -> Signals:
    """Heated by 2 W, a scan a second, to 30 and 20 degC; the tab reaches it at so many K/s."""
    t_s = np.arange(float(scans))
    tab = 30.0 + slope_K_per_s * (t_s - t_s[-3])
    temperature: Array = np.column_stack([tab, np.full(scans, 20.0)])
    still = np.zeros(2)
    signals = Signals(
        t_s, SHOWN, temperature, np.full(scans, 2.0), "W", still, still, (0.0,), (), ()
    )
    return replace(signals, **changed)  # type: ignore[arg-type]


def test_a_drop_that_stands_still_has_shown_its_whole_resistance() -> None:
    """10 K at 2 W."""
    assert least_K_per_W(held(), SHOWN) == pytest.approx([5.0])


@pytest.mark.parametrize(
    ("doubt", "u"),
    [
        ({"noise_K": np.array([0.3, 0.4])}, 0.5 / 5**0.5),  # of the mean of the last five scans
        ({"quantum_K": np.array([0.3, 0.4])}, 0.5 / 12**0.5),  # a rectangle, JCGM 100, 4.3.7
        ({"zero_power_offset_u_K": np.array([0.3, 0.4])}, 0.5),
    ],
)
def test_what_a_reading_may_be_off_by_is_taken_from_what_was_shown(
    doubt: dict[str, object], u: float
) -> None:
    """0.3 and 0.4 at the two ends of a span: 0.5 at both together, and four times that."""
    assert least_K_per_W(held(**doubt), SHOWN) == pytest.approx([(10 - 4 * u) / 2])  # type: ignore[arg-type]


def test_a_bead_that_trails_a_rise_is_allowed_for() -> None:
    """At 0.1 K/s a bead is behind by that times its lag, 3 s."""
    found = least_K_per_W(held(slope_K_per_s=0.1), SHOWN)
    assert found == pytest.approx([(10 - 3 * 0.1) / 2])


def test_the_largest_power_is_what_may_have_passed() -> None:
    power = np.full(100, 2.0)
    power[50] = 4.0
    assert least_K_per_W(held(power=power), SHOWN) == pytest.approx([2.5])


@pytest.mark.parametrize(("scans", "least"), [(9, 0.0), (10, 5.0)])
def test_a_few_scans_show_nothing(scans: int, least: float) -> None:
    assert least_K_per_W(held(scans), SHOWN) == pytest.approx([least])


def test_a_missing_reading_is_left_out_and_a_missing_channel_shows_nothing() -> None:
    signals = held()
    signals.temperature_degC[-2, 0] = np.nan
    assert least_K_per_W(signals, SHOWN) == pytest.approx([5.0])
    signals.temperature_degC[:, 0] = np.nan
    assert least_K_per_W(signals, SHOWN).tolist() == [0.0]


@pytest.mark.parametrize(("scans", "counted"), [(101, 5), (1000, 20)])
def test_the_end_is_the_last_fiftieth_of_the_heating_and_five_scans_at_least(
    scans: int, counted: int
) -> None:
    """A ramp of 1 K/s that passes 30 degC two scans before its end."""
    last = 30.0 + np.arange(3 - counted, 3)
    assert end_degC(held(scans, slope_K_per_s=1.0), SHOWN) == pytest.approx([last.mean(), 20.0])


@pytest.mark.parametrize(
    ("span", "u", "believed"),
    [
        (0.96, 1e-6, True),  # five hundredths short may be
        (0.94, 1e-6, False),
        (0.61, 0.1, True),  # four standard uncertainties may be
        (0.59, 0.1, False),
    ],
)
def test_a_span_may_fall_short_by_a_twentieth_or_by_four_uncertainties(
    span: float, u: float, believed: bool
) -> None:
    found, covariance = _not_below(np.ones(1), np.array([span]), {"fit": np.array([[u**2]])})
    assert bool(found[0] == span) is believed
    assert covariance["fit"][0, 0] == pytest.approx(u**2 + (0.0 if believed else 4.0))


def test_where_nothing_is_shown_a_negative_span_stands() -> None:
    found, _ = _not_below(np.zeros(1), np.array([-3.0]), {"fit": np.array([[1e-6]])})
    assert found.tolist() == [-3.0]
