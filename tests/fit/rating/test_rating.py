"""The rating held against a prototype whose truth is known (all of it invented)."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from bench.virtual.prototype import CaseSurface, Prototype, Sensor, read_sensor, simulate
from fit.budget import read_budget
from fit.commands.rate import command
from fit.errors import InputError, NotIdentifiable
from fit.measurement.spans import Spans, measure
from fit.rating.power_profile import Profile, read_profile
from fit.rating.rating import rate
from fit.rating.touch_limits import read_touch_limits
from fit.records.run import read_run
from tests.support.made_ratings import (
    LAB_DEGC,
    NODES,
    POWER_W,
    SHARE,
    WORST_DEGC,
    settled_degC,
    write_budget,
)

R_TRUE, C_TRUE = (1.5, 4.5, 0.8), (0.05, 2.0, 20.0, 120.0)
SURFACE = CaseSurface(area_m2=0.024, convection_W_per_m2K125=1.6, emissivity=0.7)


@pytest.fixture(scope="module")
def budget_file(tmp_path_factory):
    return write_budget(tmp_path_factory.mktemp("budget"))


@pytest.fixture(scope="module")
def budget(budget_file):
    return read_budget(budget_file)


def true_degC(node, power_W, ambient_degC):
    """Where the prototype settles."""
    return settled_degC(
        node, power_W, ambient_degC, above_case_K_per_W=np.array(R_TRUE), surface=SURFACE
    )


def exact_spans(nodes=NODES[1:], relative_u=0.005, power_W=POWER_W):
    """What a perfect bench measures of the prototype."""
    final = np.array(
        [LAB_DEGC if n == "ambient" else true_degC(n, power_W, LAB_DEGC) for n in nodes]
    )
    R = -np.diff(final) / power_W
    covariance = {"fit": np.diag((relative_u * R) ** 2)}
    return Spans(tuple(nodes), R, covariance, power_W, final, True, ())


def rated(budget, spans=None, **more):
    return rate(spans or exact_spans(), budget, read_touch_limits(), **more)


@pytest.mark.parametrize("node", NODES[:-1])
def test_nodes_at_the_worst_ambient_are_the_prototypes(budget, node):
    """The budget's surface differs from the true one in faces, emissivity and convection."""
    found = {n.node: n.degC for n in rated(budget).nodes}[node]
    truth = true_degC(node, POWER_W, WORST_DEGC)
    assert found.value == pytest.approx(truth, abs=0.8)
    assert abs(found.value - truth) < 2 * found.u


def test_unscaled_surface_would_be_wrong(budget):
    """What the scaling is worth: the lab's resistance at 55 °C is off by more than its error."""
    lab = true_degC("case", POWER_W, LAB_DEGC) - LAB_DEGC
    truth = true_degC("case", POWER_W, WORST_DEGC) - WORST_DEGC
    found = {n.node: n.degC.value for n in rated(budget).nodes}["case"] - WORST_DEGC
    assert abs(lab - truth) > 1.0
    assert abs(found - truth) < 0.25 * abs(lab - truth)


def test_allowable_power_is_where_the_prototype_reaches_its_limit(budget):
    allowable = rated(budget).junction.allowable_power_W
    assert true_degC("junction", allowable.value, WORST_DEGC) == pytest.approx(110.0, abs=0.7)
    assert allowable.low < allowable.value < allowable.high


def test_touch_is_judged_at_room_ambient_and_sets_the_power_when_first_reached(budget):
    rating = rated(budget)
    assert rating.touch.ambient_degC == 25.0
    assert rating.touch.degC.value == pytest.approx(true_degC("case", POWER_W, 25.0), abs=0.1)
    assert rating.set_by == "touch"
    assert true_degC("case", rating.allowable_power_W.value, 25.0) == pytest.approx(48.0, abs=0.2)


def test_junction_is_added_from_the_budget_and_marked(budget):
    nodes = {n.node: n for n in rated(budget).nodes}
    assert nodes["junction"].basis == "budget"
    assert nodes["tab"].basis == "measured"
    assert nodes["junction"].degC.value - nodes["tab"].degC.value == pytest.approx(
        SHARE * POWER_W * 1.5
    )
    assert nodes["junction"].degC.u > nodes["tab"].degC.u
    assert any("junction to tab" in sentence for sentence in rated(budget).missing)


def test_lumped_span_is_shared_out_and_marked(budget):
    lumped = rated(budget, exact_spans(("tab", "case", "ambient")))
    bar = next(n for n in lumped.nodes if n.node == "bar")
    assert bar.basis == "shared out"
    tab, case = (next(n.degC.value for n in lumped.nodes if n.node == x) for x in ("tab", "case"))
    assert (bar.degC.value - case) / (tab - case) == pytest.approx(0.7 / 4.7)


def test_surface_lumped_with_a_joint_is_scaled_as_a_whole(budget):
    found = {
        n.node: n.degC.value for n in rated(budget, exact_spans(("tab", "bar", "ambient"))).nodes
    }
    assert found["bar"] == pytest.approx(true_degC("bar", POWER_W, WORST_DEGC), abs=0.8)


def test_run_without_ambient_takes_the_surface_from_the_budget(budget):
    rating = rated(budget, exact_spans(("tab", "bar", "case")))
    assert any("'case to air'" in sentence for sentence in rating.missing)
    assert rating.surface_scale is None
    assert rating.junction.allowable_power_W.u > rated(budget).junction.allowable_power_W.u


def test_surface_scale_tells_the_true_surface_from_the_budgets(budget):
    case = true_degC("case", POWER_W, LAB_DEGC)
    scale = rated(budget).surface_scale
    at_budget = rate(exact_spans(), budget, read_touch_limits(), ambient_degC=LAB_DEGC).nodes[-1]
    assert at_budget.degC.value == pytest.approx(case, abs=0.01)
    assert scale.low < scale.value < scale.high


def test_stated_ambient_goes_before_the_budgets(budget):
    assert rated(budget, ambient_degC=40.0).junction.ambient_degC == 40.0


def test_missing_limits_and_ambient_are_said(budget):
    bare = replace(
        budget,
        limits=replace(budget.limits, junction_degC=None, case_touch_degC=None),
        conditions=replace(budget.conditions, ambient_max_degC=None),
    )
    rating = rated(bare)
    assert rating.allowable_power_W is None
    assert rating.junction.degC.value == pytest.approx(
        true_degC("junction", POWER_W, LAB_DEGC), abs=0.1
    )
    text = " ".join(rating.missing)
    assert all(word in text for word in ("junction_degC", "case_touch_degC", "ambient_max_degC"))


def test_limit_below_ambient_allows_nothing(budget):
    cold = replace(budget, limits=replace(budget.limits, junction_degC=50.0))
    assert rated(cold).junction.allowable_power_W.value == 0.0


def test_wider_spans_make_a_wider_interval(budget):
    sharp, wide = (
        rated(budget, exact_spans(relative_u=u)).junction.allowable_power_W for u in (0.001, 0.1)
    )
    assert wide.high - wide.low > 1.5 * (sharp.high - sharp.low)
    assert wide.value == pytest.approx(sharp.value)


def test_cautions_where_they_matter(budget):
    cool = replace(
        budget, conditions=replace(budget.conditions, power_W=0.3, ambient_max_degC=25.0)
    )
    assert any(text.startswith("hot surface") for text in rated(budget).cautions)
    assert not any(text.startswith("hot surface") for text in rated(cool).cautions)
    strong = replace(budget, conditions=replace(budget.conditions, power_W=8.0))
    assert any("extrapolation" in text for text in rated(strong).cautions)


def test_profile_without_a_network_is_refused(budget):
    profile = Profile("p.csv", np.array([0.0, 10.0]), np.array([1.0, 0.0]))
    with pytest.raises(NotIdentifiable, match="ambient thermocouple"):
        rated(budget, profile=profile)


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    """A heat run of the prototype in the lab."""
    random = np.random.default_rng(2)
    t = np.arange(0.0, 3661.0)
    power = np.where(t >= 60, POWER_W, 0.0)
    true = simulate(prototype(LAB_DEGC), t, power)
    path = tmp_path_factory.mktemp("run") / "readings.csv"
    columns = [
        read_sensor(
            Sensor(random.normal(0, 0.5), 0.03, lag_s=1.5), t, true[node], true["ambient"], random
        )
        for node in NODES[1:]
    ]
    header = ",".join(f"{node}_degC" for node in NODES[1:])
    rows = np.column_stack([t, *columns, power])
    np.savetxt(path, rows, "%.3f", ",", header=f"t_s,{header},power_W", comments="")
    return path


def prototype(ambient_degC):
    return Prototype(
        NODES, (*R_TRUE, 0.0), C_TRUE, SURFACE, SHARE, ambient_degC=lambda _: ambient_degC
    )


@pytest.fixture(scope="module")
def spans(record):
    return measure(read_run(record))


def test_a_case_whose_channel_measures_nothing_leaves_the_pulses_out(budget, record):
    run = read_run(record)
    readings = run.temperature_degC.copy()
    readings[:, run.nodes.index("case")] = np.nan
    dead = measure(replace(run, temperature_degC=readings))
    assert rated(budget, dead).duty == ()


PROFILE_S = np.array([0.0, 600.0, 900.0, 2400.0, 3000.0])
PROFILE_W = np.array([6.0, 0.0, 4.0, 1.0, 1.0])


def test_profile_at_the_worst_ambient_is_the_prototypes(budget, spans):
    result = rated(budget, spans, profile=Profile("p.csv", PROFILE_S, PROFILE_W)).profile
    t = np.arange(0.0, 3001.0)
    power = PROFILE_W[np.searchsorted(PROFILE_S, t, side="right") - 1]
    truth = simulate(prototype(WORST_DEGC), t, power)
    found = np.interp(t, result.t_s, result.source_degC)
    changing = np.abs(t[:, None] - PROFILE_S).min(axis=1) < 5
    assert np.abs(found - truth["junction"])[~changing].max() < 0.05 * (
        truth["junction"].max() - 55
    )
    assert result.peak_degC == pytest.approx(truth["junction"].max(), abs=1.5)
    assert result.skin_peak_degC == pytest.approx(truth["case"].max(), abs=1.0)


def test_profile_that_is_constant_settles_at_the_steady_rating(budget, spans):
    profile = Profile("p.csv", np.array([0.0, 1e6]), np.array([POWER_W, POWER_W]))
    rating = rated(budget, spans, profile=profile)
    assert rating.profile.peak_degC == pytest.approx(rating.junction.degC.value, abs=1e-6)
    assert rating.profile.allowable_factor * POWER_W == pytest.approx(
        rating.junction.allowable_power_W.value, rel=1e-3
    )


def test_repeated_profile_is_a_pulse_train(budget, spans):
    rating = rated(budget, spans)
    pulse = next(p for p in rating.duty if (p.period_s, p.duty) == (600.0, 0.25))
    power = np.array([pulse.allowable_pulse_W, 0.0, 0.0])
    profile = Profile("p.csv", np.array([0.0, 150.0, 600.0]), power, repeat=True)
    result = rated(budget, spans, profile=profile).profile
    assert result.peak_degC == pytest.approx(110.0, abs=0.01)
    assert result.peak_t_s == pytest.approx(150.0)
    assert result.source_degC[0] == pytest.approx(result.source_degC[-1], abs=0.01)


@pytest.mark.parametrize(("period_s", "duty"), [(10.0, 0.25), (60.0, 0.1), (600.0, 0.5)])
def test_allowable_pulses_take_the_prototype_to_its_limit(budget, spans, period_s, duty):
    """The thermocouples lag by 1.5 s; the prototype's junction does not."""
    pulse = next(p for p in rated(budget, spans).duty if (p.period_s, p.duty) == (period_s, duty))
    warm_s = 4000.0  # at the mean power, then pulses
    t = np.concatenate([np.arange(0, warm_s, 20.0), np.arange(warm_s, warm_s + 1800, 0.5)])
    on = (t - warm_s) % period_s < duty * period_s
    power = pulse.allowable_pulse_W * np.where(t < warm_s, duty, on)
    peak = simulate(prototype(WORST_DEGC), t, power)["junction"][t > warm_s + 900].max()
    assert peak - WORST_DEGC == pytest.approx(110.0 - WORST_DEGC, rel=0.04)


def test_less_duty_allows_more_power(budget, spans):
    power = {(p.period_s, p.duty): p.allowable_pulse_W for p in rated(budget, spans).duty}
    assert power[60.0, 0.1] > power[60.0, 0.25] > power[60.0, 0.5]
    assert power[10.0, 0.5] > power[600.0, 0.5] > power[3600.0, 0.5]


def test_pulses_may_have_at_least_the_power_that_may_be_held(budget, spans):
    rating = rated(budget, spans)
    held_W = rating.junction.allowable_power_W.value
    assert min(p.allowable_pulse_W for p in rating.duty) >= held_W


def test_touch_table_decides_only_where_somebody_has_confirmed_it(budget):
    guided = rated(budget)
    assert {row.decision for row in guided.touch_rows} == {None}
    vouched = replace(read_touch_limits(), confirmed="edition 4 (2023), by us")
    decided = rate(exact_spans(), budget, vouched)
    assert "non-conforming" in {row.decision for row in decided.touch_rows}


def test_stated_touch_limit_decides_whoever_confirmed_the_table(budget):
    assert rated(budget).touch.decision is not None


def test_pulses_faster_than_the_record_are_not_rated(budget, spans):
    widths = [p.period_s * p.duty for p in rated(budget, spans).duty]
    assert min(widths) >= 2.0


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "line 1: no column t_s"),
        ("t_s,watts\n0,1\n1,0\n", "no column power_W"),
        ("t_s,power_W\n0,1\n", "has 1 row"),
        ("t_s,power_W\n0,1\n5,2\n5,0\n", "line 4: t_s 5 after 5"),
        ("t_s,power_W\n0,1\n5,\n", "line 3, power_W: ''"),
        ("t_s,power_W\n0,1\n5,-2\n", "line 3, power_W: '-2'"),
        ("t_s,power_W\n0,1\nnan,2\n", "line 3, t_s: 'nan'"),
        ("t_s,power_W\n0,1\n1e5_0,2\n", "line 3, t_s: '1e5_0'"),
        ("t_s,power_W\n0,1\n5,1e308\n", "line 3, power_W: '1e308'"),
        ("t_s,power_W\n0,1,5\n5,2\n", "line 2: has 3 cells"),
        ("t_s,power_W\n0\n5,2\n", "line 2: has 1 cell"),
        ('t_s,power_W\n0,1\n5,"2,5"\n', "line 3, power_W: '2,5'"),
        ("t_s,power_W\n0,1\n-2e9,2\n", "line 3, t_s: '-2e9'"),
    ],
)
def test_bad_profile_is_refused_with_its_place(tmp_path, text, message):
    path = tmp_path / "profile.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=re.escape(message)):
        read_profile(path)


def test_profile_starts_at_its_first_time(tmp_path):
    path = tmp_path / "profile.csv"
    path.write_text("note,power_W,t_s\nx,2,100\n,0,160\n\n")
    profile = read_profile(path)
    assert profile.t_s.tolist() == [0.0, 60.0]
    assert profile.mean_W == 2.0


@pytest.fixture(scope="module")
def profile_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("profile") / "profile.csv"
    path.write_text("t_s,power_W\n0,6\n600,0\n1800,0\n")
    return path


def run_command(*arguments):
    app = typer.Typer()
    app.command()(command)
    return CliRunner().invoke(app, [*map(str, arguments)])


def test_command_gives_one_json_object(record, budget_file, profile_file):
    result = run_command(record, "--budget", budget_file, "--profile", profile_file, "--json")
    document = json.loads(result.stdout)
    assert (result.exit_code, document["schema"]) == (0, "heatrun.rate/1")
    assert document["nodes"]["junction"]["basis"] == "budget"
    assert document["allowable_power_W"]["low"] < document["allowable_power_W"]["high"]
    assert document["profile"]["peak_degC"] > WORST_DEGC


def test_command_prints_for_people(record, budget_file, profile_file):
    result = run_command(
        record, "--budget", budget_file, "--profile", profile_file, "--repeat", "--ambient", 45
    )
    assert result.exit_code == 0
    words_of_all = ("Allowable:", "45 °C", "over and over", "written from memory", "guidance")
    words_of_all += ("case at most", "shorter than two scans")
    for words in (*words_of_all, "Caution:"):
        assert words in " ".join(result.stdout.split())


def test_command_refuses_to_repeat_nothing(record, budget_file):
    assert run_command(record, "--budget", budget_file, "--repeat").exit_code == 2
