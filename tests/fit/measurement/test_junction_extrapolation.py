"""Back to the moment of interruption, and how fast a junction cools: known courses."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.polynomial import Polynomial

from fit.errors import NotIdentifiable
from fit.measurement.junction_extrapolation import extrapolate, time_constant_s

AGE_S = np.linspace(1e-4, 5e-3, 50)
FALLEN = 1 - np.exp(-1.0)  # at the time constant, by definition
ABOVE_K = 8.0


def course(share: np.ndarray, age_s: np.ndarray = AGE_S) -> np.ndarray:
    return np.column_stack([age_s, ABOVE_K * share])


def test_a_junction_that_falls_far_enough_in_its_window_has_the_age_of_that_reading() -> None:
    lump = course(1 - np.exp(-AGE_S / 2e-3))
    assert time_constant_s(lump, ABOVE_K) == pytest.approx(2e-3, abs=1e-4)


@pytest.mark.parametrize("tau_s", [0.01, 0.05])
def test_a_half_space_falls_on_by_the_square_root_of_time(tau_s: float) -> None:
    """FALLEN sqrt(t / tau), seen to 5 ms; the end of the window is read off its last tenth."""
    seen = course(FALLEN * np.sqrt(AGE_S / tau_s))
    assert time_constant_s(seen, ABOVE_K) == pytest.approx(tau_s, rel=0.1)


@pytest.mark.parametrize("tau_s", [0.02, 0.05])
def test_a_slow_lump_is_told_to_a_fifth_by_a_tenth_of_its_fall(tau_s: float) -> None:
    seen = course(1 - np.exp(-AGE_S / tau_s))
    assert time_constant_s(seen, ABOVE_K) == pytest.approx(tau_s, rel=0.2)


def test_a_fall_that_hastens_is_followed_no_faster_than_in_proportion_to_time() -> None:
    """As t squared it would be there at 0.02 s; a tenth fallen at 5 ms is FALLEN at 31.6 ms."""
    seen = course(0.1 * (AGE_S / 5e-3) ** 2)
    assert 0.0316 < time_constant_s(seen, ABOVE_K) < 0.040


@pytest.mark.parametrize("share", [0.0, -0.1])
def test_a_junction_that_does_not_fall_has_no_time_constant(share: float) -> None:
    assert time_constant_s(course(np.full(50, share)), ABOVE_K) == np.inf


def windows(volts: np.ndarray, age_s: np.ndarray = AGE_S, count: int = 5) -> list:
    return [(age_s, volts)] * count


def test_a_bend_behind_the_die_is_the_distance_of_line_and_cubic() -> None:
    """V = 0.5 + 0.3 x + 2 x² + 10 x³, x = √t: the cubic is exact, the line is off by the rest."""
    x = np.sqrt(AGE_S)
    found = extrapolate(windows(0.5 + 0.3 * x + 2 * x**2 + 10 * x**3))
    assert float(found.volts.mean()) - found.method_V == pytest.approx(0.5, abs=1e-9)


def test_line_and_cubic_are_least_squares_over_five_and_twelve_times_the_first_age() -> None:
    """By numpy.polynomial.Polynomial.fit, on noise that no polynomial describes."""
    age = np.linspace(1e-4, 5e-3, 197)  # every quarter of the first one's age
    V = 0.5 + 1e-3 * np.random.default_rng(2).standard_normal(len(age))
    found = extrapolate(windows(V, age))

    def at_zero(readings: int, degree: int) -> float:
        x = np.sqrt(age[:readings])
        return float(Polynomial.fit(x, V[:readings], degree)(0.0))

    line, cubic = at_zero(17, 1), at_zero(45, 3)
    assert found.volts == pytest.approx(np.full(5, line), abs=1e-9)
    assert found.method_V == pytest.approx(line - cubic, abs=1e-9)


def test_the_line_is_laid_through_the_first_readings_alone() -> None:
    """Beyond five times the first one's age, and six readings, nothing bends it."""
    late = np.where(AGE_S > 0.65e-3, 0.1, 0.0)
    found = extrapolate(windows(0.5 + 0.2 * np.sqrt(AGE_S) + late))
    assert found.volts == pytest.approx(np.full(5, 0.5))
    assert found.b_V_per_root_s == pytest.approx(0.2)


def test_first_and_last_age_are_those_of_the_window_in_the_middle() -> None:
    each = [(AGE_S + late, 0.5 + 0 * AGE_S) for late in (0.0, 1e-5, 2e-5, 3e-5, 4e-3)]
    found = extrapolate(each)
    assert found.first_s == pytest.approx(1.2e-4)
    assert found.last_s == pytest.approx(5.02e-3)


@pytest.mark.parametrize(("count", "readings"), [(4, 50), (5, 5)])
def test_too_few_windows_or_readings_are_refused(count: int, readings: int) -> None:
    V = 0.5 + 0.2 * np.sqrt(AGE_S)
    assert extrapolate(windows(V[:6], AGE_S[:6])).volts == pytest.approx(np.full(5, 0.5))
    with pytest.raises(NotIdentifiable, match="windows of 6 readings or more"):
        extrapolate(windows(V[:readings], AGE_S[:readings], count))


def read_at(level_V: float, step_V: float, noise_V: float, random: np.random.Generator) -> list:
    """Twenty windows of one and the same course, read by a converter of such steps."""
    exact = level_V + 0.2 * np.sqrt(AGE_S)
    noise = noise_V * random.standard_normal((20, len(AGE_S)))
    return [(AGE_S, np.round((exact + each) / step_V) * step_V) for each in noise]


@pytest.mark.parametrize("step_V", [2.5e-4, 1e-3])
def test_what_a_converters_steps_leave_in_the_mean_is_the_spread_of_its_error(
    step_V: float,
) -> None:
    """Levels anywhere in a step, noise of a tenth of it: averaging takes little out."""
    random = np.random.default_rng(1)
    levels = 0.5 + step_V * random.random(60)
    found = [extrapolate(read_at(level, step_V, 0.1 * step_V, random)) for level in levels]
    off = [float(one.volts.mean()) - level for one, level in zip(found, levels, strict=True)]
    stated = np.sqrt(np.mean([one.rounding_u_V**2 for one in found]))
    assert 0.5 < stated / np.sqrt(np.mean(np.square(off))) < 1.5


def test_noise_larger_than_a_step_leaves_nothing_of_it() -> None:
    found = extrapolate(read_at(0.5003, 2.5e-4, 2.5e-4, np.random.default_rng(1)))
    assert found.rounding_u_V < 1e-7


def test_a_fine_converter_leaves_nothing_in_the_mean() -> None:
    assert extrapolate(windows(0.5 + 0.2 * np.sqrt(AGE_S))).rounding_u_V == 0.0
