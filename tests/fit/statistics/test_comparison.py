"""Runs side by side: what cancels, trends, spread, and the command."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from bench.virtual.prototype import CaseSurface, Prototype, Sensor, read_sensor, simulate
from fit.commands.compare import command
from fit.errors import HeatrunError, NotIdentifiable
from fit.measurement.spans import Spans
from fit.records.run import Event, Run
from fit.statistics.comparison import MeasuredRun, compare, rig_identity
from fit.statistics.stated_values import label_values, values_of
from fit.statistics.trend import CONTACT, LINE, estimate_spread, fit_trend
from tests.support.made import run_metadata

NODES = ("tab", "bar", "case", "ambient")
POWER_W = 4.2
MATCH, POWER_U, NOISE = 0.01, 0.02, 0.002


def made_run(R, rig: str | None = "bench 2", label="run", nodes=NODES, power_W=POWER_W, **values):
    """A measured run whose every contribution is known (invented values)."""
    R = np.asarray(R, dtype=float)
    total = np.append(np.cumsum(R[::-1])[::-1], 0.0)
    steps = np.eye(len(R), len(R) + 1) - np.eye(len(R), len(R) + 1, 1)
    covariance = {
        "fit": np.diag(np.full(len(R), NOISE**2)),
        "offset": np.diag(np.full(len(R), NOISE**2)),
        "sensor_match": steps @ np.diag((MATCH * total) ** 2) @ steps.T,
        "power": POWER_U**2 * np.outer(R, R),
    }
    spans = Spans(nodes, R, covariance, power_W, 23.0 + power_W * total, True, ())
    return MeasuredRun(Path(label), label, spans, rig, values)


BEFORE, AFTER = (5.0, 0.9, 3.5), (5.0, 0.6, 3.5)
OWN = 2 * NOISE * np.sqrt(1.0)  # fit and offset of two runs, added in squares


def difference_u(comparison, span=1, run=1):
    return comparison.spans[span].readings[run].difference_u_K_per_W


def test_difference_is_to_the_first_run():
    reading = compare([made_run(BEFORE), made_run(AFTER)]).spans[1].readings[1]
    assert reading.difference_K_per_W == pytest.approx(-0.3)
    assert reading.change == "lower"


def test_what_the_rig_shares_cancels_where_nothing_changed():
    same = compare([made_run(BEFORE), made_run(BEFORE)])
    assert [difference_u(same, span) for span in range(3)] == pytest.approx([OWN] * 3)


def test_shared_errors_leave_what_grows_with_the_change():
    """Power: u_P of the change. Match: u_j of the change of the rises of the nodes at its ends."""
    both = compare([made_run(BEFORE), made_run(AFTER)])
    change = 0.3
    # Tab and bar both rise 0.3 K/W less; the case does not.
    assert difference_u(both) == pytest.approx(
        np.sqrt(OWN**2 + (POWER_U * change) ** 2 + (MATCH * change) ** 2)
    )


def test_difference_uncertainty_is_that_of_simulated_instruments():
    """Monte Carlo of one set of instruments used for both runs (JCGM 101)."""
    random = np.random.default_rng(5)
    n = 40000
    rises = [np.append(np.cumsum(np.array(R)[::-1])[::-1], 0.0) for R in (BEFORE, AFTER)]
    gain = 1 + MATCH * random.standard_normal((n, 4))
    power = 1 + POWER_U * random.standard_normal((n, 1))
    measured = [
        -np.diff(rise * gain) / power + np.sqrt(2) * NOISE * random.standard_normal((n, 3))
        for rise in rises
    ]
    found = compare([made_run(BEFORE), made_run(AFTER)])
    assert [difference_u(found, i) for i in range(3)] == pytest.approx(
        np.std(measured[1] - measured[0], axis=0), rel=0.02
    )


@pytest.mark.parametrize("rigs", [("bench 2", "bench 3"), (None, None)])
def test_nothing_cancels_between_rigs(rigs):
    runs = [made_run(BEFORE, rig) for rig in rigs]
    u = [run.spans.total_covariance[1, 1] for run in runs]
    apart = compare(runs)
    assert difference_u(apart) == pytest.approx(np.sqrt(sum(u)))
    assert any("same rig" in warning for warning in apart.warnings)


def test_match_of_remounted_sensors_does_not_cancel():
    runs = [made_run(BEFORE), made_run(BEFORE)]
    match = runs[0].spans.covariance["sensor_match"][1, 1]
    assert difference_u(compare(runs, remounted=True)) == pytest.approx(np.sqrt(OWN**2 + 2 * match))


# Errors that no longer belong to one node each, as a ladder leaves them (invented values).
LEFT = np.array([[0.02, 0.01, 0.0], [0.0, 0.03, 0.01], [0.01, 0.0, 0.02]])


def with_match(run, factors):
    run.spans.covariance["sensor_match"] = factors @ factors.T
    return run


def test_what_two_like_records_leave_of_the_match_cancels():
    runs = [with_match(made_run(BEFORE), factors) for factors in (LEFT, LEFT)]
    assert difference_u(compare(runs)) == pytest.approx(OWN)


def test_what_two_records_leave_of_the_match_grows_with_the_change():
    runs = [with_match(made_run(BEFORE), factors) for factors in (LEFT, 1.5 * LEFT)]
    left = 0.5 * np.hypot(0.03, 0.01)
    assert difference_u(compare(runs)) == pytest.approx(np.hypot(OWN, left))


def test_what_a_record_leaves_of_the_match_does_not_cancel_with_all_of_it():
    runs = [with_match(made_run(BEFORE), LEFT), made_run(BEFORE)]
    match = [run.spans.covariance["sensor_match"][1, 1] for run in runs]
    assert difference_u(compare(runs)) == pytest.approx(np.sqrt(OWN**2 + sum(match)))


def test_node_missing_in_one_run_merges_its_spans():
    fewer = made_run((5.9, 3.5), nodes=("tab", "case", "ambient"))
    merged = compare([made_run(BEFORE), fewer])
    assert [(span.from_node, span.to_node) for span in merged.spans] == [
        ("tab", "case"),
        ("case", "ambient"),
    ]
    assert merged.spans[0].readings[1].difference_K_per_W == pytest.approx(0.0, abs=1e-12)
    assert difference_u(merged, 0) == pytest.approx(NOISE * np.sqrt(4 + 2))


def test_different_powers_are_said():
    assert any(
        "W:" in w for w in compare([made_run(BEFORE), made_run(BEFORE, power_W=8.0)]).warnings
    )


@pytest.mark.parametrize(
    "runs",
    [
        [made_run(BEFORE)],
        [made_run(BEFORE), made_run(BEFORE, nodes=("a", "b", "c", "d"))],
        [made_run(BEFORE), made_run(BEFORE, nodes=("tab", "case", "bar", "ambient"))],
        [made_run(BEFORE), replace(made_run(BEFORE), power_unit="%")],
    ],
)
def test_runs_that_cannot_be_compared_are_refused(runs):
    with pytest.raises(NotIdentifiable):
        compare(runs)


TORQUE = np.array([0.2, 0.3, 0.5, 0.7])


def test_trend_finds_a_line_with_its_uncertainty():
    random = np.random.default_rng(1)
    own = np.diag(np.full(4, 0.01**2))
    slopes, stated = [], []
    for _ in range(400):
        R = 2.0 - 0.5 * TORQUE + 0.01 * random.standard_normal(4)
        trend = fit_trend(TORQUE, R, own, np.zeros((4, 4)))
        if trend.shape == LINE:
            slopes.append(trend.slope)
            stated.append(trend.slope_u)
    assert len(slopes) > 350
    assert np.mean(slopes) == pytest.approx(-0.5, abs=0.01)
    assert np.std(slopes) <= np.mean(stated) * 1.05


def test_trend_of_a_pressed_joint_follows_its_law():
    R = 0.35 + 0.12 * TORQUE**-0.95
    trend = fit_trend(TORQUE, R, np.diag(np.full(4, 0.003**2)), np.zeros((4, 4)))
    assert (trend.shape, trend.direction) == (CONTACT, "falling")
    assert trend.slope == pytest.approx(0.12)
    assert trend.at(np.array([1.0]))[0] == pytest.approx(0.47)


def test_scatter_beyond_the_uncertainty_widens_the_trend():
    R = np.array([1.0, 1.2, 0.9, 1.1])
    own, none = np.diag(np.full(4, 0.001**2)), np.zeros((4, 4))
    trend = fit_trend(TORQUE, R, own, none)
    assert trend.birge_ratio > 50
    assert trend.direction == "none seen"


def test_shared_error_moves_the_line_not_its_slope():
    own = np.diag(np.full(4, 0.003**2))
    alone = fit_trend(TORQUE, np.ones(4), own, np.zeros((4, 4)))
    shared = fit_trend(TORQUE, np.ones(4), own, np.full((4, 4), 0.1**2))
    assert shared.slope_u == pytest.approx(alone.slope_u)
    assert shared.at(np.array([0.5]))[1] > 0.1


def test_trend_needs_two_values():
    assert fit_trend(np.full(3, 0.5), np.ones(3), np.eye(3), np.zeros((3, 3))) is None


def test_spread_of_units_holds_the_truth():
    random = np.random.default_rng(8)
    own, between, held = 0.02, 0.05, []
    for _ in range(200):
        R = 3.0 + between * random.standard_normal(8) + own * random.standard_normal(8)
        spread = estimate_spread(R, np.diag(np.full(8, own**2)))
        held.append(spread.between_low_K_per_W <= between <= spread.between_high_K_per_W)
    assert np.mean(held) == pytest.approx(0.95, abs=0.04)


def test_identical_units_have_no_spread():
    spread = estimate_spread(np.full(4, 2.0), np.diag(np.full(4, 0.01**2)))
    assert spread.between_sd_K_per_W == 0
    assert spread.between_low_K_per_W == 0


def test_units_more_alike_than_their_uncertainty_are_bounded_by_what_was_seen():
    R = 2.0 + 0.001 * np.array([-1.0, 0.0, 1.0])
    spread = estimate_spread(R, np.diag(np.full(3, 0.1**2)))
    assert spread.between_sd_K_per_W == 0
    assert spread.between_high_K_per_W > 0.001


def test_own_uncertainty_leaves_out_what_the_rig_shares():
    reading = compare([made_run(BEFORE), made_run(AFTER)]).spans[1].readings[1]
    assert reading.own_u_K_per_W == pytest.approx(np.sqrt(2) * NOISE)
    assert reading.u_K_per_W > 5 * reading.own_u_K_per_W


def test_two_units_tell_no_spread():
    assert estimate_spread(np.array([1.0, 2.0]), np.eye(2)) is None


def test_label_values_come_from_label_notes_and_run_json():
    run = Run(
        Path("r"), "pad torque_Nm=0.5, unit=3", NODES, np.zeros(1), np.zeros((1, 4)), np.zeros(1),
        events=(Event(3.0, "operator", {"text": "humidity_percent = 40"}),),
        metadata=run_metadata({"values": {"pressure_kPa": 200.0, "who": "me"}}),
    )  # fmt: skip
    assert label_values(run) == {
        "torque_Nm": 0.5,
        "unit": 3.0,
        "humidity_percent": 40.0,
        "pressure_kPa": 200.0,
    }


def test_a_rig_stays_the_same_on_another_port_but_not_with_another_channel():
    def identity(port: str, match_u: float) -> str | None:
        rig = {
            "title": "bench 2",
            "instrument": [{"name": "reader", "port": port}],
            "channel": [{"node": "tab", "match_u": match_u}],
        }
        nothing = np.zeros(1)
        return rig_identity(
            Run(
                Path("r"),
                "",
                ("tab",),
                nothing,
                np.zeros((1, 1)),
                nothing,
                metadata=run_metadata({"rig": rig}),
            )
        )

    assert identity("/dev/ttyUSB0", 0.004) == identity("/dev/ttyUSB1", 0.004)
    assert identity("/dev/ttyUSB0", 0.004) != identity("/dev/ttyUSB0", 0.002)


def test_values_are_given_or_taken_from_the_labels():
    runs = [made_run(BEFORE, torque_Nm=0.3), made_run(AFTER, torque_Nm=0.5)]
    assert values_of(runs, "torque_Nm") == ("torque_Nm", (0.3, 0.5))
    assert values_of(runs, "torque_Nm=1, 2") == ("torque_Nm", (1.0, 2.0))


@pytest.mark.parametrize(
    ("against", "message"),
    [("torque_Nm=1", "1 values for 2 runs"), ("torque_Nm=1,x", "no list of numbers"),
     ("torque_Nm=1,inf", "not finite"), ("depth_mm", "states no depth_mm"), ("=1,2", "no name")],
)  # fmt: skip
def test_bad_values_are_refused(against, message):
    with pytest.raises(HeatrunError, match=message):
        values_of([made_run(BEFORE), made_run(AFTER)], against)


@pytest.fixture(scope="module")
def records(tmp_path_factory):
    """Two short runs of an invented prototype, its pad joint re-torqued between them."""
    folder = tmp_path_factory.mktemp("runs")
    t = np.arange(0.0, 901.0)
    power = np.where(t >= 60, POWER_W, 0.0)
    for name, pad in (("before", 0.9), ("after", 0.6)):
        random = np.random.default_rng(len(name))
        prototype = Prototype(
            NODES,
            (4.0, pad, 0.0),
            (2.0, 20.0, 150.0),
            CaseSurface(0.03),
            ambient_degC=lambda _: 23.0,
        )
        true = simulate(prototype, t, power)
        columns = [
            read_sensor(Sensor(random.normal(0, 0.5), 0.03), t, true[node], true["ambient"], random)
            for node in NODES
        ]
        with (folder / f"{name}.csv").open("w") as stream:
            stream.write(f"t_s,{','.join(f'{node}_degC' for node in NODES)},power_W\n")
            for row in zip(t, *columns, power, strict=True):
                stream.write(",".join(f"{value:.3f}" for value in row) + "\n")
    return folder


def run_command(*arguments):
    app = typer.Typer()
    app.command()(command)
    return CliRunner().invoke(app, [*map(str, arguments)])


def test_command_tells_the_mended_joint(records):
    result = run_command(records / "before.csv", records / "after.csv", "--json", "--jobs", 1)
    document = json.loads(result.stdout)
    assert (result.exit_code, document["schema"]) == (0, "heatrun.compare/1")
    second = {span["from"]: span["runs"][1] for span in document["spans"]}
    assert second["tab"]["change"] == "none seen"
    assert second["bar"]["change"] == "lower"
    assert second["bar"]["difference_K_per_W"] == pytest.approx(-0.3, abs=0.02)


def test_command_prints_draws_and_tabulates(records, tmp_path):
    result = run_command(
        records / "before.csv", records / "after.csv", "--against", "torque_Nm=0.2,0.5",
        "--plot", tmp_path / "spans.png", "--table", tmp_path / "spans.csv", "--jobs", 1,
    )  # fmt: skip
    assert result.exit_code == 0
    assert "bar – case" in result.stdout
    assert result.stdout.startswith("From the first run to the second, bar – case fell by 0.3")
    assert "▼ lower" in result.stdout
    assert (tmp_path / "spans.png").read_bytes()[:4] == b"\x89PNG"
    rows = list(csv.DictReader((tmp_path / "spans.csv").open()))
    assert len(rows) == 6
    assert rows[-1]["value"] == "0.5"


def test_command_goes_on_past_a_bad_run(records, tmp_path):
    bad = tmp_path / "bad.csv"
    bad.write_text("nonsense\n")
    result = run_command(records / "before.csv", bad, records / "after.csv", "--json", "--jobs", 1)
    document = json.loads(result.stdout)
    assert result.exit_code == 2
    assert [error["run"] for error in document["errors"]] == [str(bad)]
    assert len(document["runs"]) == 2


def test_command_writes_over_nothing(records, tmp_path):
    taken = tmp_path / "spans.png"
    taken.write_text("mine")
    result = run_command(records / "before.csv", records / "after.csv", "--plot", taken)
    assert isinstance(result.exception, HeatrunError)
    assert taken.read_text() == "mine"
