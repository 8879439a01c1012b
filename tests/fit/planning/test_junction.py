"""The junction's span in a plan: what is promised, what is refused and why."""

from __future__ import annotations

import dataclasses
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from fit.budget import read_budget
from fit.errors import RecordError, RigError
from fit.output.figures.planned import planned_figure
from fit.output.plan_document import plan_document
from fit.output.terminal.plan import by_source
from fit.planning.bench import Bench, read_bench
from fit.planning.experiment import Plan, plan
from fit.records.results import to_json
from tests.benchmarks.junctions import HOLDS, planned, read_again
from tests.support.made_junctions import draw_part, draw_reading

DATA = Path(str(files("heatrun_data") / "junction"))
BUDGET, RIG = DATA / "budget.toml", DATA / "rig.toml"


@pytest.fixture(scope="module")
def budget():
    return read_budget(BUDGET)


@pytest.fixture(scope="module")
def bench(budget) -> Bench:
    return read_bench(RIG, budget)


@pytest.fixture(scope="module")
def found(budget, bench) -> Plan:
    return plan(budget, bench)


def changed(bench: Bench, **voltage) -> Bench:
    assert bench.voltage is not None
    return dataclasses.replace(bench, voltage=dataclasses.replace(bench.voltage, **voltage))


def refusals(found: Plan) -> list[str]:
    return [one for one in found.warnings if one.startswith("junction - tab will not be")]


def test_the_junction_is_the_first_span_of_the_plan(found) -> None:
    first = found.spans[0]
    assert (first.from_node, first.to_node, first.stages) == (
        "junction",
        "tab",
        ("junction to tab",),
    )
    assert refusals(found) == []


def test_the_other_spans_are_planned_as_without_it(budget, bench, found) -> None:
    alone = plan(budget, dataclasses.replace(bench, voltage=None))
    kept = [(one.name, one.u_K_per_W, one.decided_after_s) for one in found.spans[1:]]
    assert kept == [(one.name, one.u_K_per_W, one.decided_after_s) for one in alone.spans]


def test_what_the_demonstration_stated_is_what_is_planned(found) -> None:
    """1.466 ± 0.061 K/W (k = 2): the worked example of the page on forward voltages."""
    assert 2 * found.spans[0].u_K_per_W == pytest.approx(0.061, rel=0.3)


@pytest.mark.parametrize("seed", [4000, 4004])
def test_planned_is_the_scatter_of_repeated_runs(seed: int) -> None:
    random = np.random.default_rng(seed)
    part, reading = draw_part(random), draw_reading(random)
    expected = planned(part, reading)
    but_method = np.sqrt(sum(u**2 for name, u in expected.items() if name != "method"))
    R, _ = read_again(part, reading, seed, 20)
    assert HOLDS[0] < R.std(ddof=1) / but_method < HOLDS[1]


def test_without_cool_down_and_points_it_says_that_nothing_calibrates_it(budget, bench) -> None:
    found = plan(budget, changed(bench, cool_s=0.0))
    (said,) = refusals(found)
    assert "the sequence has no cool-down (cool_s) and the channel no points_degC_V" in said
    assert found.spans[0].from_node == "tab"


def test_points_do_where_nothing_cools_down(budget, bench) -> None:
    stated = changed(bench, cool_s=0.0, points=((25.0, 0.612), (85.0, 0.489)))
    found = plan(budget, stated)
    assert found.spans[0].by_voltage
    assert found.spans[0].parts["sensor_match"] > found.spans[0].parts["power"]


def test_a_first_reading_later_than_a_fifth_of_the_time_constant_is_refused(budget, bench) -> None:
    """R C of the budget: 1.5 K/W × 0.05 J/K = 75 ms."""
    (said,) = refusals(plan(budget, changed(bench, first_s=0.016)))
    assert "first reading comes 16 ms" in said
    assert "time constant of 75 ms" in said


def test_a_cool_down_over_too_few_kelvins_says_so(budget, bench) -> None:
    (said,) = refusals(plan(budget, dataclasses.replace(bench, power_W=0.2)))
    assert "do not calibrate it" in said


def test_a_junction_that_the_budget_does_not_know_is_left_out_and_said(budget, bench) -> None:
    warnings = plan(budget, changed(bench, node="die")).warnings
    assert "die - tab will not be planned: the budget has no 'die' above 'tab'" in warnings


def test_noisier_readings_make_it_less_sure(budget, bench, found) -> None:
    noisy = plan(budget, changed(bench, noise_V=2e-3)).spans[0]
    assert noisy.u_K_per_W > 1.2 * found.spans[0].u_K_per_W


def test_the_excess_that_is_found_costs_more_than_its_own_uncertainty(found) -> None:
    first = found.spans[0]
    least = 1.645 * np.hypot(first.u_K_per_W, first.predicted_u_K_per_W)
    assert least < first.detectable_excess_K_per_W < 2 * least


def test_without_the_tab_the_junction_is_lost_and_without_others_not(found) -> None:
    without = {one.node: one.u_without for one in found.thermocouples}
    assert "junction - tab" not in without["tab"]
    assert without["bar"]["junction - tab"] == pytest.approx(found.spans[0].u_K_per_W)


def test_its_parts_add_up_in_the_document(found) -> None:
    document = plan_document(found)
    to_json(document)
    first, *others = document["spans"]
    parts = first["u_by_source_K_per_W"].values()
    assert np.sqrt(sum(u**2 for u in parts)) == pytest.approx(first["u_K_per_W"])
    assert not any("u_by_source_K_per_W" in one for one in others)


def test_the_largest_part_is_named_first(found) -> None:
    parts = found.spans[0].parts
    assert max(parts, key=lambda name: parts[name]) == "readings"
    assert by_source(found.spans[0]).split("of which ")[1].startswith("noise, with what it hides")


def test_the_figure_has_its_axes_first(found) -> None:
    figure = planned_figure(found)
    assert figure.axes[0].get_title(loc="left").startswith("junction to tab: decided after")


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("first_us = 0", "first_us: 0 will not do"),
        ('noise_mV = "low"', "noise_mV: 'low' will not do"),
        ("points_degC_V = [[25.0, 0.6]]", "points_degC_V"),
    ],
)
def test_a_channel_that_will_not_do_is_refused_in_one_line(
    budget, tmp_path, line: str, said: str
) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(RIG.read_text().replace("sense_mA = 5.0", f"sense_mA = 5.0\n{line}"))
    with pytest.raises((RigError, RecordError), match=said):
        read_bench(path, budget)


def test_stated_noise_and_first_reading_are_taken(budget, tmp_path) -> None:
    path = tmp_path / "rig.toml"
    stated = "sense_mA = 5.0\nfirst_us = 200\nnoise_mV = 0.3"
    path.write_text(RIG.read_text().replace("sense_mA = 5.0", stated))
    voltage = read_bench(path, budget).voltage
    assert voltage is not None
    assert (voltage.first_s, voltage.noise_V) == pytest.approx((2e-4, 3e-4))
