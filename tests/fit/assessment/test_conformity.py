"""Measured spans held against a budget, made values."""

from __future__ import annotations

import sys
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fit.assessment.alignment import lay_on_budget
from fit.assessment.conformity import (
    _time_constants,
    check,
    hold,
    pair_alike,
    resolved_verdicts,
)
from fit.errors import BudgetError
from fit.measurement.spans import with_faults
from fit.signals.channel_faults import ChannelFault
from fit.signals.preparation import Signals
from tests.support import made


def verdict_of(**deviations):
    return hold(made.spans(**deviations), made.prediction())


def span(verdict, from_node):
    return next(s for s in verdict.spans if s.from_node == from_node)


def test_path_as_budgeted_conforms_without_findings():
    verdict = verdict_of()
    assert verdict.decision == "conforming"
    assert verdict.findings == ()


def test_measured_is_per_watt_of_the_path_not_of_the_supply():
    assert span(verdict_of(), "tab").measured_K_per_W == pytest.approx(3.2)


def test_path_share_uncertainty_is_part_of_the_measured():
    tight = hold(made.spans(relative_u=1e-9), made.prediction())
    assert span(tight, "tab").measured_u_K_per_W == pytest.approx(3.2 * 0.01 / made.SHARE)


def test_measured_is_as_sure_as_the_span_and_the_share_together():
    """1 % of the span and 0.01 of a share of 0.97, a quotient's parts: JCGM 100, 5.1.6."""
    found = span(verdict_of(), "tab").measured_u_K_per_W
    assert found == pytest.approx(3.2 * np.hypot(0.01, 0.01 / made.SHARE))


def test_the_shares_error_is_one_and_the_same_in_all_spans():
    """A span of 3.2 + 0.6 K/W, measured to 1 %: the share's error is of their sum."""
    lumped = hold(made.spans(nodes=("tab", "bar", "case", "ambient")), made.prediction())
    found = span(lumped, "tab").measured_u_K_per_W
    assert found == pytest.approx(3.8 * np.hypot(0.01, 0.01 / made.SHARE))


def test_normalized_error_is_of_measured_and_predicted_together():
    """1.5 times 3.2 K/W, each to its own: (4.8 - 3.2) / (2 hypot(u_m, 0.32))."""
    found = span(verdict_of(factors={"via array": 1.5}), "tab")
    u = 4.8 * np.hypot(0.01, 0.01 / made.SHARE)
    assert found.predicted_u_K_per_W == pytest.approx(0.32)
    assert found.E_n == pytest.approx(1.6 / (2 * np.hypot(u, 0.32)))


def test_default_limit_is_a_quarter_above_predicted():
    assert span(verdict_of(), "board_back").limit_K_per_W == pytest.approx(1.25 * 0.6)


def test_limit_of_a_lumped_span_is_the_sum_of_its_stages_limits():
    stages = tuple(
        replace(stage, limit_K_per_W=0.9) if stage.name == "bar to case" else stage
        for stage in made.STAGES
    )
    verdict = hold(made.spans(), made.prediction(stages))
    assert span(verdict, "bar").limit_K_per_W == pytest.approx(1.25 * 0.4 + 0.9)


def test_lumped_span_names_its_stages():
    assert span(verdict_of(), "bar").stages == ("bar", "bar to case")


def test_stage_over_its_limit_is_non_conforming_and_decides_the_whole():
    verdict = verdict_of(factors={"pad": 1.8})
    assert span(verdict, "board_back").decision == "non-conforming"
    assert verdict.decision == "non-conforming"


def test_stage_at_its_limit_is_undecided():
    verdict = verdict_of(factors={"pad": 1.25})
    assert span(verdict, "board_back").p_conforming == pytest.approx(0.5)
    assert verdict.decision == "undecided"


def test_normalized_error_has_the_sign_of_the_deviation():
    assert span(verdict_of(factors={"via array": 0.5}), "tab").E_n < -1
    assert span(verdict_of(factors={"via array": 1.5}), "tab").E_n > 1


def test_unmeasured_stage_is_taken_from_the_budget_and_does_not_count():
    verdict = verdict_of()
    first = span(verdict, "junction")
    assert (first.measured_K_per_W, first.p_conforming, first.decision) == (None, None, "undecided")
    assert any("junction to tab" in warning for warning in verdict.warnings)


def test_spans_are_listed_in_the_order_of_the_path():
    order = [s.from_node for s in verdict_of().spans]
    assert order == ["junction", "tab", "board_back", "bar", "case"]


def test_node_the_budget_does_not_know_is_left_out_with_a_warning():
    spans = made.spans()
    strange = replace(spans, nodes=("tab", "board_back", "somewhere", "case", "ambient"))
    verdict = hold(strange, made.prediction())
    merged = span(verdict, "board_back")
    assert merged.to_node == "case"
    assert merged.measured_K_per_W == pytest.approx(0.6 + 0.7)
    assert any("'somewhere'" in warning for warning in verdict.warnings)


@given(order=st.permutations(made.MEASURED_NODES))
def test_order_of_the_recorded_nodes_changes_nothing(order):
    straight, mixed = made.spans(), made.spans(nodes=tuple(order))
    budget = made.prediction().budget
    expected, found = lay_on_budget(straight, budget), lay_on_budget(mixed, budget)
    assert found.nodes == expected.nodes
    np.testing.assert_allclose(found.R_K_per_W, expected.R_K_per_W)


def test_covariance_of_merged_spans_adds_up():
    spans = made.spans()
    covariance = np.array([[4, 1, 0, 0], [1, 9, 2, 0], [0, 2, 16, 0], [0, 0, 0, 1.0]]) * 1e-4
    spans = replace(
        spans,
        nodes=("tab", "board_back", "somewhere", "case", "ambient"),
        covariance={"fit": covariance},
    )
    path = lay_on_budget(spans, made.prediction().budget)
    assert path.covariance[1, 1] == pytest.approx((9 + 16 + 2 * 2) * 1e-4)


def test_run_that_shares_one_node_with_the_budget_is_refused_in_one_line():
    spans = replace(made.spans(), nodes=("a", "b", "c", "d", "ambient"))
    with pytest.raises(BudgetError, match="at least two") as error:
        hold(spans, made.prediction())
    assert "\n" not in str(error.value)


def test_budget_is_predicted_at_the_runs_own_power_and_ambient(monkeypatch):
    asked = {}

    def predict(budget, power_W=None, ambient_degC=None):
        asked.update(power_W=power_W, ambient_degC=ambient_degC)
        return made.prediction()

    monkeypatch.setattr(sys.modules[check.__module__], "predict", predict)
    spans = replace(made.spans(), power_W=3.9)
    check(spans, made.prediction().budget)
    assert asked == {"power_W": 3.9, "ambient_degC": pytest.approx(23.0)}


@pytest.mark.parametrize("what", ["value", "uncertainty"])
def test_span_that_could_not_be_measured_leaves_the_whole_undecided(what):
    spans = made.spans()
    R, covariance = spans.R_K_per_W.copy(), spans.covariance["fit"].copy()
    if what == "value":
        R[3] = np.nan
    else:
        covariance[3, 3] = np.inf
    spans = replace(spans, R_K_per_W=R, covariance={"fit": covariance})
    verdict = hold(spans, made.prediction())
    assert verdict.decision == "undecided"
    assert span(verdict, "case").measured_K_per_W is None
    assert span(verdict, "tab").decision == "conforming"
    assert verdict.findings == ()


def test_swapped_thermocouples_are_asked_about():
    spans = made.spans()
    swapped = replace(spans, nodes=("tab", "bar", "board_back", "case", "ambient"))
    warnings = hold(swapped, made.prediction()).warnings
    assert any("swapped" in warning and "'board_back'" in warning for warning in warnings)
    assert not any("swapped" in warning for warning in hold(spans, made.prediction()).warnings)


@pytest.mark.parametrize(("R_K_per_W", "asked"), [(-0.021, True), (-0.019, False), (0.01, False)])
def test_a_span_is_colder_upstream_where_two_uncertainties_say_so(R_K_per_W, asked):
    """u is 0.01 K/W."""
    spans = made.spans()
    R, covariance = spans.R_K_per_W.copy(), spans.covariance["fit"].copy()
    R[1], covariance[1, 1] = R_K_per_W, 0.01**2
    warnings = hold(
        replace(spans, R_K_per_W=R, covariance={"fit": covariance}), made.prediction()
    ).warnings
    assert any("'board_back' reads colder than 'bar'" in text for text in warnings) is asked


def recorded(final_degC, end_degC, unknown):
    """Spans with a record whose nodes came to `end_degC`; the last span unresolved or not."""
    spans = made.spans()
    temperature = np.tile(end_degC, (100, 1)).astype(float)
    still = np.zeros(5)
    signals = Signals(
        np.arange(100.0), spans.nodes, temperature, np.full(100, 4.2), "W", still, still,
        (0.0,), (), (),
    )  # fmt: skip
    covariance = spans.covariance["fit"].copy()
    if unknown:
        covariance[3, 3] = 100.0
    return replace(
        spans, final_degC=np.array(final_degC), covariance={"fit": covariance},
        responses=(SimpleNamespace(signals=signals),),
    )  # fmt: skip


FINAL, END = [73.0, 60.0, 58.0, 55.0, 23.0], [50.0, 37.0, 35.0, 32.0, 22.0]


def test_rise_of_a_node_is_that_of_the_settled_end_above_the_last():
    path = lay_on_budget(recorded(FINAL, END, unknown=False), made.prediction().budget)
    assert path.rise_K == pytest.approx([50, 37, 35, 32, 0])


def test_rise_of_a_node_is_what_was_shown_where_the_settled_end_is_anybodys_guess():
    path = lay_on_budget(recorded(FINAL, END, unknown=True), made.prediction().budget)
    assert path.rise_K == pytest.approx([28, 15, 13, 10, 0])


def test_a_settled_end_below_what_was_shown_is_taken_as_it_is():
    low = [40.0, 37.0, 35.0, 33.0, 23.0]
    path = lay_on_budget(recorded(low, END, unknown=True), made.prediction().budget)
    assert path.rise_K == pytest.approx([17, 14, 12, 10, 0])


def test_what_the_rig_did_not_state_is_said_once():
    spans = made.spans()
    silent = spans.covariance | {"power": np.zeros((4, 4)), "sensor_match": np.zeros((4, 4))}
    warnings = hold(replace(spans, covariance=silent), made.prediction()).warnings
    assert sum("not stated" in warning for warning in warnings) == 1


def test_time_constants_pair_with_those_most_alike():
    assert pair_alike(np.array([5.5, 70.0, 90.0]), np.array([5.0, 60.0, 2000.0])) == {0: 0, 1: 1}


@settings(deadline=None, max_examples=40)
@given(
    factor=st.floats(0.3, 5.0),
    stage=st.sampled_from([stage.name for stage in made.STAGES]),
    relative_u=st.floats(0.0, 0.3),
)
def test_any_deviation_gets_probabilities_and_no_crash(factor, stage, relative_u):
    verdict = verdict_of(factors={stage: factor}, relative_u=relative_u)
    for s in verdict.spans:
        assert s.p_conforming is None or 0 <= s.p_conforming <= 1
    assert all(0 <= finding.probability <= 1 for finding in verdict.findings)


def test_run_without_watts_is_refused_in_one_line():
    percent = SimpleNamespace(power_unit="%")
    with pytest.raises(BudgetError, match="recorded in %"):
        check(replace(made.spans(), responses=(percent,)), made.prediction().budget)


@pytest.mark.parametrize("nodes", [("tab", "ambient"), ("junction", "case", "ambient")])
def test_few_measured_nodes_are_checked_as_lumped_spans(nodes):
    verdict = hold(made.spans({"case to air": 2.0}, nodes=nodes), made.prediction())
    assert verdict.decision == "non-conforming"
    assert sum(len(s.stages) for s in verdict.spans) == len(made.STAGES)
    assert verdict.findings


def test_a_span_below_zero_is_never_conforming():
    spans = made.spans()
    R = spans.R_K_per_W.copy()
    R[1] = -0.2
    verdict = hold(replace(spans, R_K_per_W=R), made.prediction())
    assert span(verdict, "board_back").p_conforming == pytest.approx(1.0)
    assert span(verdict, "board_back").decision == "undecided"


def test_a_tab_that_reads_half_its_rise_decides_no_span_beside_it():
    verdict = verdict_of(reads_low={"tab": 0.5})
    assert span(verdict, "tab").decision == "undecided"
    assert verdict.decision == "undecided"
    assert (verdict.findings[0].kind, verdict.findings[0].where) == ("sensor-placement", "tab")


def test_swapped_thermocouples_are_named_together():
    spans = made.spans()
    order = [0, 2, 1, 3, 4]
    rise = np.append(np.cumsum(spans.R_K_per_W[::-1])[::-1], 0.0)[order]
    verdict = hold(replace(spans, R_K_per_W=-np.diff(rise)), made.prediction())
    first = verdict.findings[0]
    assert first.kind == "sensor-placement"
    assert "'board_back' and 'bar' read as if they were swapped" in first.text


def test_a_span_better_than_its_budget_by_a_third_of_it_is_no_fault_of_others():
    verdict = verdict_of(factors={"case to air": 0.8})
    assert verdict.decision == "conforming"


def test_a_channel_seen_to_be_dead_leads_and_leaves_its_spans_undecided():
    fault = ChannelFault("bar", "stuck", "'bar' repeats 23 °C from 0 s to 900 s")
    believed = made.spans(nodes=("tab", "board_back", "case", "ambient"))
    spans = with_faults(believed, made.MEASURED_NODES, (fault,))
    verdict = hold(spans, made.prediction())
    assert [span(verdict, node).decision for node in ("board_back", "bar")] == ["undecided"] * 2
    assert span(verdict, "tab").decision == "conforming"
    assert (verdict.findings[0].where, verdict.findings[0].lead) == ("bar", True)


def test_time_constants_are_those_of_the_whole_path_and_stand_beside_the_predicted():
    """Predicted 5, 60 and 2000 s; a factor 3 off is still alike."""
    inner = SimpleNamespace(tau_s=np.array([7.0]), tau_u_s=np.array([0.7]), power_unit="W")
    whole = SimpleNamespace(
        tau_s=np.array([4.0, 400.0, 1000.0]), tau_u_s=np.array([0.4, 40.0, 100.0]), power_unit="W"
    )
    spans = replace(made.spans(), responses=(inner, whole))
    found = [
        (one.measured_s, one.measured_u_s, one.predicted_s)
        for one in _time_constants(spans, made.prediction())
    ]
    assert found == [(4.0, 0.4, 5.0), (400.0, 40.0, None), (1000.0, 100.0, 2000.0)]


@pytest.mark.parametrize(("factor", "paired"), [(2.9, {0: 0}), (3.1, {})])
def test_time_constants_alike_are_within_a_factor_of_three(factor, paired):
    assert pair_alike(np.array([10.0 * factor]), np.array([10.0])) == paired
    assert pair_alike(np.array([10.0 / factor]), np.array([10.0])) == paired


def test_a_span_of_a_verdict_is_resolved_where_it_was_measured_well():
    """Junction to tab was not measured; the case to air is 7.5 +- 7.5 K/W."""
    spans = made.spans()
    covariance = spans.covariance["fit"].copy()
    covariance[3, 3] = 7.5**2
    verdict = hold(replace(spans, covariance={"fit": covariance}), made.prediction())
    assert resolved_verdicts(verdict.spans) == [False, True, True, True, False]
