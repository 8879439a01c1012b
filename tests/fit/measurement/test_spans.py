"""Spans of simulated prototypes with known resistances."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from bench.virtual.prototype import CaseSurface, Prototype, Sensor, read_sensor, simulate
from fit.errors import NotIdentifiable
from fit.measurement.spans import Spans, measure, with_faults
from fit.records.run import Array, Run
from fit.signals.channel_faults import ChannelFault
from tests.benchmarks.random_rigs import HARDER, random_rig

NODES = ("tab", "board_back", "bar", "case", "ambient")
INNER_K_PER_W = (1.5, 1.0, 0.5)
SURFACE = CaseSurface(0.012)
POWER_W = 4.0


def heat_run(heat_s: float, cool_s: float = 0.0, seed: int = 1) -> Run:
    """A run of a made prototype with every sensor lagging, noisy, stepped and off."""
    t_s = np.arange(0.0, 120.0 + heat_s + cool_s)
    return powered(t_s, np.where((t_s >= 120) & (t_s < 120 + heat_s), POWER_W, 0.0), seed)


def powered(t_s: Array, power: Array, seed: int = 1) -> Run:
    """The same prototype's record at any power."""
    random = np.random.default_rng(seed)
    sensors = {
        n: Sensor(random.uniform(-1.5, 1.5), 0.03, random.uniform(0, 1.5), 0.0625) for n in NODES
    }
    prototype = Prototype(
        NODES,
        (*INNER_K_PER_W, 8.0),
        (2.0, 20.0, 60.0, 300.0),
        SURFACE,
        sensors=sensors,
        ambient_degC=lambda t: 23.0 + 0.3 * np.sin(t / 900),
    )
    true = simulate(prototype, t_s, power)
    readings = [read_sensor(sensors[n], t_s, true[n], true["ambient"], random) for n in NODES]
    return Run(Path("made"), "made", NODES, t_s, np.column_stack(readings), power)


@pytest.mark.parametrize(("heat_s", "cool_s", "within"), [(90, 0, 0.12), (1800, 600, 0.01)])
def test_inner_spans_are_right_and_their_uncertainty_holds(
    heat_s: float, cool_s: float, within: float
) -> None:
    spans = measure(heat_run(heat_s, cool_s))
    u = np.sqrt(np.diag(spans.total_covariance))[:3]
    assert spans.nodes == NODES
    assert spans.R_K_per_W[:3] == pytest.approx(INNER_K_PER_W, rel=within)
    assert np.all(np.abs(spans.R_K_per_W[:3] - INNER_K_PER_W) < 3.5 * u)


def test_case_to_ambient_is_wide_while_unsettled_and_holds_the_truth() -> None:
    true = SURFACE.resistance_K_per_W(POWER_W, 23.0)
    for heat_s in (90, 1800):
        spans = measure(heat_run(heat_s))
        u = np.sqrt(spans.total_covariance[-1, -1])
        assert abs(spans.R_K_per_W[-1] - true) < 3 * u
        assert not spans.settled
        assert any("to ambient is extrapolated" in text for text in spans.warnings)


def test_case_to_ambient_of_a_settled_run_is_within_three_percent() -> None:
    true = SURFACE.resistance_K_per_W(POWER_W, 23.0)
    spans = measure(heat_run(14400))
    assert spans.R_K_per_W[-1] == pytest.approx(true, rel=0.03)


def test_ambient_is_last_wherever_its_column_stands() -> None:
    run = heat_run(600)
    order = [4, 0, 1, 2, 3]
    moved = Run(
        run.path,
        run.label,
        tuple(NODES[i] for i in order),
        run.t_s,
        run.temperature_degC[:, order],
        run.power,
    )
    assert measure(moved).nodes == NODES
    assert measure(moved).R_K_per_W[:3] == pytest.approx(measure(run).R_K_per_W[:3], rel=1e-6)


def test_without_ambient_only_the_inner_spans_are_measured() -> None:
    run = heat_run(600)
    inner = Run(run.path, run.label, NODES[:4], run.t_s, run.temperature_degC[:, :4], run.power)
    spans = measure(inner)
    assert spans.nodes == NODES[:4]
    assert spans.R_K_per_W == pytest.approx(INNER_K_PER_W, rel=0.05)


def test_a_run_that_was_never_powered_is_refused() -> None:
    run = heat_run(200)
    with pytest.raises(NotIdentifiable, match="never on"):
        measure(Run(run.path, run.label, NODES, run.t_s, run.temperature_degC, 0 * run.power))


def test_a_record_that_begins_warm_is_measured_with_what_is_left_of_the_heat() -> None:
    t_s = np.arange(0.0, 2500.0)
    run = powered(t_s, np.where((t_s < 600) | (t_s >= 660), POWER_W, 0.0))
    later = t_s >= 605
    warm = Run(
        run.path, run.label, NODES, t_s[later], run.temperature_degC[later], run.power[later]
    )
    spans = measure(warm)
    u = np.sqrt(np.diag(spans.total_covariance))[:3]
    assert any("begins warm" in text for text in spans.warnings)
    assert spans.R_K_per_W[:3] == pytest.approx(INNER_K_PER_W, rel=0.04)
    assert np.all(np.abs(spans.R_K_per_W[:3] - INNER_K_PER_W) < 3.5 * u)


@pytest.mark.parametrize("seed", [1031, 1040])
def test_spans_a_short_record_cannot_tell_are_wide_and_said_to_be_unresolved(seed: int) -> None:
    rig = random_rig(seed, 90.0, cool=False, ranges=HARDER)
    spans = measure(rig.run)
    u = np.sqrt(np.diag(spans.total_covariance))
    assert np.all(np.abs(spans.R_K_per_W - rig.R_K_per_W) < 3 * u)
    assert not spans.resolved[1]
    assert any("not resolved" in text and "board_back to" in text for text in spans.warnings)


@pytest.mark.parametrize("seed", [1080, 1133])
def test_a_valley_of_ladders_that_fit_alike_is_seen_in_its_whole_length(seed: int) -> None:
    rig = random_rig(seed, 90.0, cool=False, ranges=HARDER)
    spans = measure(rig.run)
    far = np.abs(spans.R_K_per_W / rig.R_K_per_W - 1) > 0.5
    assert far.any()
    assert not np.any(spans.resolved & far)


def test_rounded_readings_make_no_span_surer_than_their_steps_allow() -> None:
    rig = random_rig(1061, 1800.0, ranges=HARDER)
    spans = measure(rig.run)
    u = np.sqrt(np.diag(spans.total_covariance))
    assert np.all(np.abs(spans.R_K_per_W - rig.R_K_per_W) < 3 * u)


def test_an_unknown_case_to_ambient_is_said_to_be_unresolved() -> None:
    spans = measure(heat_run(300))
    assert list(spans.resolved) == [True, True, True, False]
    assert any("not resolved" in text and "case to ambient" in text for text in spans.warnings)


def with_column(run: Run, node: str, value: float) -> Run:
    run.temperature_degC[:, run.nodes.index(node)] = value
    return run


@pytest.mark.parametrize("node", ["board_back", "bar", "case"])
def test_spans_beside_a_dead_channel_are_open_and_their_sum_is_as_measured_without_it(node) -> None:
    i = NODES.index(node)
    spans = measure(with_column(heat_run(900), node, 0.0))
    assert spans.believed is not None
    assert not spans.resolved[i - 1 : i + 1].any()
    both = spans.R_K_per_W[i - 1] + spans.R_K_per_W[i]
    assert both == pytest.approx(spans.believed.R_K_per_W[i - 1])
    u = np.sqrt(spans.total_covariance[i - 1 : i + 1, i - 1 : i + 1].sum())
    alone = np.sqrt(np.diag(spans.believed.total_covariance))[i - 1]
    assert u == pytest.approx(alone, rel=1e-6)


def without(*dead: str, whole_K_per_W: float = 3.0) -> Spans:
    """Spans of a path whose first inner part is measured across so many dead channels."""
    believed = tuple(node for node in NODES if node not in dead)
    R = np.array([whole_K_per_W, *[1.0] * (len(believed) - 2)])
    spans = Spans(
        nodes=believed,
        R_K_per_W=R,
        covariance={"fit": np.diag((0.01 * R) ** 2)},
        power_W=POWER_W,
        final_degC=23.0 + 10.0 * np.arange(len(believed))[::-1],
        settled=True,
        warnings=(),
    )
    return with_faults(spans, NODES, tuple(ChannelFault(one, "unread", one) for one in dead))


@pytest.mark.parametrize("whole_K_per_W", [0.3, 3.0, 30.0])
def test_spans_beside_a_dead_channel_are_as_unsure_as_they_are_large(whole_K_per_W: float) -> None:
    """In any unit of resistance alike; the first two of three, the other as measured."""
    found = without("board_back", whole_K_per_W=whole_K_per_W)
    u = np.sqrt(np.diag(found.total_covariance))
    assert found.R_K_per_W[:2] == pytest.approx(whole_K_per_W / 2)
    assert 0.9 < (u / found.R_K_per_W)[:2].min() <= (u / found.R_K_per_W)[:2].max() < 1.5
    assert u[2] == pytest.approx(0.01)


def test_what_was_measured_across_two_dead_channels_is_shared_by_three_spans() -> None:
    found = without("board_back", "bar")
    assert found.R_K_per_W == pytest.approx([1.0, 1.0, 1.0, 1.0])
    whole_u = np.sqrt(found.total_covariance[:3, :3].sum())
    assert whole_u == pytest.approx(0.03)
    assert found.final_degC == pytest.approx([43.0, 43 - 10 / 3, 43 - 20 / 3, 33.0, 23.0])


def test_a_dead_channel_at_the_source_leaves_the_other_spans_as_they_are() -> None:
    whole, without = measure(heat_run(900)), measure(with_column(heat_run(900), "tab", np.nan))
    assert not without.resolved[0]
    assert without.R_K_per_W[1:3] == pytest.approx(whole.R_K_per_W[1:3], rel=0.02)


def of(run: Run, *nodes: str) -> Run:
    """The same record with these nodes alone."""
    columns = [run.nodes.index(node) for node in nodes]
    return replace(run, nodes=nodes, temperature_degC=run.temperature_degC[:, columns])


def test_two_nodes_beside_a_dead_channel_are_still_measured() -> None:
    run = of(heat_run(600), "bar", "case")
    dead = with_column(of(heat_run(600), "board_back", "bar", "case"), "board_back", 0.0)
    spans = measure(dead)
    assert spans.nodes == ("board_back", "bar", "case")
    assert spans.resolved.tolist() == [False, True]
    assert spans.R_K_per_W[1] == pytest.approx(measure(run).R_K_per_W[0], rel=1e-6)


def test_one_node_has_no_span_and_a_dead_channel_is_named_with_it() -> None:
    run = of(heat_run(600), "bar", "case")
    with pytest.raises(NotIdentifiable, match="one node alone has no span"):
        measure(of(run, "case"))
    with pytest.raises(NotIdentifiable, match=r"only 'case' is left, which has no span: .*bar"):
        measure(with_column(run, "bar", 0.0))


def test_a_glimpse_of_heat_resolves_nothing() -> None:
    run = heat_run(9)
    assert not measure(run).resolved.any()


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("begins", [300, 700, 1010])
def test_a_record_that_begins_warm_is_measured_or_refused_without_a_warning(begins: int) -> None:
    run = heat_run(900, 300)
    for step, count in ((1, 250), (8, 20), (3, 60)):
        rows = slice(begins, begins + step * count, step)
        part = replace(
            run,
            t_s=run.t_s[rows],
            temperature_degC=run.temperature_degC[rows].copy(),
            power=run.power[rows],
        )
        part.temperature_degC[0, 3] = np.nan  # the case's first reading is missing
        with contextlib.suppress(NotIdentifiable):
            assert np.isfinite(measure(part).R_K_per_W).all()
