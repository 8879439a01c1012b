"""Which cause a pattern points to, made values."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fit.assessment.conformity import hold
from fit.assessment.diagnosis import explain, find_causes, posterior_of, readings_doubted
from fit.assessment.hypotheses import Pattern, SlowEvidence, causes
from fit.assessment.posterior import Posterior, Suspicion
from fit.measurement.sensor_placement import SlowShare
from tests.support import made


def findings_of(**deviations):
    return hold(made.spans(**deviations), made.prediction()).findings


def lead_of(**deviations):
    return next(((f.kind, f.where) for f in findings_of(**deviations) if f.lead), None)


def pattern(measured=(3.2, 0.6, 0.7, 7.5), slow=None):
    predicted = np.array([3.2, 0.6, 0.7, 7.5])
    measured = np.array(measured)
    stages = made.STAGES
    return Pattern(
        nodes=made.MEASURED_NODES,
        stages=((stages[1],), (stages[2],), (stages[3], stages[4]), (stages[5],)),
        stage_K_per_W=((3.2,), (0.6,), (0.4, 0.3), (7.5,)),
        measured_K_per_W=measured,
        measured_covariance=np.diag((0.01 * measured) ** 2),
        predicted_K_per_W=predicted,
        predicted_covariance=np.diag((0.1 * predicted) ** 2),
        limit_K_per_W=1.25 * predicted,
        rise_K_per_W=np.append(np.cumsum(measured[::-1])[::-1], 0.0),
        heat_W=4.0,
        slow=slow,
    )


def slow_evidence(share):
    share = np.array(share)
    still = np.zeros(len(share))
    return SlowEvidence(share, still, still, 0.005**2 * np.eye(len(share)))


@pytest.mark.parametrize(
    ("deviation", "lead"),
    [
        ({"factors": {"pad": 1.8}}, ("poor-contact", "pad")),
        ({"factors": {"via array": 1.6}}, ("high-resistance", "via array")),
        ({"factors": {"case to air": 1.5}}, ("weak-cooling", "case to air")),
        ({"reads_low": {"bar": 0.1}}, ("sensor-placement", "bar")),
        ({"reads_low": {"board_back": 0.15}}, ("sensor-placement", "board_back")),
        ({"power_reads": 0.75}, ("power-error", "power")),
    ],
)
def test_each_fault_leaves_its_own_pattern(deviation, lead):
    assert lead_of(**deviation) == lead


def test_loose_thermocouple_is_not_called_a_poor_contact():
    """The pad alone looks just as bad in both; only the span below tells them apart."""
    loose = findings_of(reads_low={"bar": 0.06})
    assert next(f.probability for f in loose if f.kind == "sensor-placement") > 0.95
    assert all(f.probability < 0.05 for f in loose if f.kind == "poor-contact")


def test_contact_in_a_lumped_span_is_more_likely_than_its_bar():
    first = findings_of(factors={"bar to case": 2.5})[0]
    assert (first.kind, first.where) == ("poor-contact", "bar to case")


def test_two_faults_at_once_are_both_named():
    found = findings_of(factors={"pad": 2.2, "via array": 1.8})
    likely = {(f.kind, f.where) for f in found if f.probability > 0.6}
    assert likely == {("poor-contact", "pad"), ("high-resistance", "via array")}


def test_only_the_first_finding_leads_and_probabilities_fall():
    found = findings_of(factors={"pad": 2.2, "bar to case": 3.0})
    assert [f.lead for f in found] == [True, *[False] * (len(found) - 1)]
    probabilities = [f.probability for f in found]
    assert probabilities == sorted(probabilities, reverse=True)


def test_nothing_leads_when_the_data_do_not_say():
    """A span at its limit to a hair may as well be within it."""
    assert lead_of(factors={"pad": 1.25}) is None


def test_deviation_within_the_limits_has_no_finding():
    assert findings_of(factors={"pad": 1.15, "case to air": 0.9}) == ()


def test_loose_thermocouple_that_makes_a_span_look_good_leaves_it_undecided():
    """A tab that reads low hides a via array: the span looks better than it is."""
    verdict = hold(made.spans(reads_low={"tab": 0.2}), made.prediction())
    assert [span.decision for span in verdict.spans[1:]][:2] == ["undecided", "conforming"]
    assert (verdict.findings[0].kind, verdict.findings[0].where) == ("sensor-placement", "tab")


def test_slow_share_tells_a_loose_case_thermocouple_from_a_poor_joint():
    shifted = pattern((3.2, 0.6, 0.7 + 0.75, 7.5 - 0.75))
    undecided = posterior_of(shifted).suspicions[0]
    assert undecided.probability < 0.9
    loose = posterior_of(replace(shifted, slow=slow_evidence([0, 0, 0.11]))).suspicions[0]
    assert (loose.cause.kind, loose.cause.where) == ("sensor-placement", "case")
    assert loose.probability > 0.99
    joint = posterior_of(replace(shifted, slow=slow_evidence([0, 0, 0.0]))).suspicions[0]
    assert joint.cause.kind == "poor-contact"
    assert joint.probability > 0.7


CONDEMNED = ["conforming", "non-conforming", "conforming", "conforming"]


def test_slow_shares_that_no_cause_explains_are_not_believed():
    doubtful = pattern((3.2, 1.2, 0.7, 7.5), slow=slow_evidence([0.15, 0.08, 0.05]))
    first = find_causes(doubtful, CONDEMNED, explain(doubtful))[0]
    assert (first.kind, first.where, first.lead) == ("poor-contact", "pad", True)


@pytest.mark.parametrize("left_out", [1, 2, 3])
def test_heat_capacities_left_out_of_the_budget_hide_no_poor_contact(left_out):
    slow = SlowShare(np.array([0.06, 0.03, 0.02, 1.0]), 0.003**2 * np.diag([1, 1, 1, 0]))
    spans = replace(made.spans(factors={"pad": 1.8}), slow_share=slow)
    prediction = made.prediction()
    capacity = prediction.C_J_per_K.copy()
    capacity[left_out] = 0.0
    first = hold(spans, replace(prediction, C_J_per_K=capacity)).findings[0]
    assert (first.kind, first.where) == ("poor-contact", "pad")


def test_check_hands_the_slow_share_on():
    spans = replace(
        made.spans(reads_low={"case": 0.1}),
        slow_share=SlowShare(np.array([0.0, 0.0, 0.111, 1.0]), 0.005**2 * np.diag([1, 1, 1, 0])),
    )
    first = hold(spans, made.prediction()).findings[0]
    assert (first.kind, first.where) == ("sensor-placement", "case")
    assert first.probability > 0.99


def test_size_of_the_fault_is_estimated():
    raised = posterior_of(pattern((3.2, 0.9, 0.7, 7.5))).suspicions[0]
    assert raised.size == pytest.approx(0.5, abs=0.12)
    low = posterior_of(pattern((3.2, 0.6 + 0.82, 0.7 - 0.82, 7.5))).suspicions[0]
    assert low.size == pytest.approx(0.1, abs=0.02)


def test_prior_probabilities_leave_room_for_nothing_wrong():
    assert 0.4 < sum(cause.prior for cause in causes(pattern())) < 0.7


@settings(deadline=None, max_examples=15)
@given(unit=st.floats(0.01, 100.0), factor=st.floats(0.5, 3.0))
def test_unit_of_resistance_changes_no_probability(unit, factor):
    """The same path in another unit of power (percent of drive, say) has the same causes."""
    one = pattern((3.2, 0.6 * factor, 0.7, 7.5))
    other = replace(
        one,
        stage_K_per_W=tuple(tuple(unit * R for R in stages) for stages in one.stage_K_per_W),
        measured_K_per_W=unit * one.measured_K_per_W,
        measured_covariance=unit**2 * one.measured_covariance,
        predicted_K_per_W=unit * one.predicted_K_per_W,
        predicted_covariance=unit**2 * one.predicted_covariance,
        limit_K_per_W=unit * one.limit_K_per_W,
        rise_K_per_W=unit * one.rise_K_per_W,
    )
    found, expected = posterior_of(other), posterior_of(one)
    assert found.nothing_wrong == pytest.approx(expected.nothing_wrong, abs=1e-6)
    for a, b in zip(found.suspicions, expected.suspicions, strict=True):
        assert a.probability == pytest.approx(b.probability, abs=1e-6)


def test_poor_contact_is_told_as_area_and_as_what_to_do_first():
    lead = findings_of(factors={"pad": 1.8})[0]
    text = lead.text
    assert "of its 308 mm² touched" in text
    area = int(text.split(" of its 308")[0].split()[-1])
    assert area == pytest.approx(308 / 1.8, rel=0.05)
    assert "torque" in lead.steps[0]


def test_high_via_array_is_told_as_missing_vias():
    text = findings_of(factors={"via array": 1.6})[0].text
    assert "of its 20 vias" in text
    vias = int(text.split(" of its 20")[0].split()[-1])
    assert vias == pytest.approx(20 / 1.6, abs=1)


def test_loose_thermocouple_is_told_in_kelvins_of_the_bench():
    text = findings_of(reads_low={"bar": 0.1})[0].text
    true_rise = (0.7 + 7.5) * made.POWER_W * made.SHARE
    kelvins = float(text.split(" K)")[0].split("(")[-1])
    assert kelvins == pytest.approx(0.1 * true_rise, rel=0.1)


def test_poor_joint_is_told_as_pressure_too():
    text = findings_of(factors={"bar to case": 2.5})[0].text
    assert "MPa instead of 0.5" in text


@pytest.mark.parametrize(
    "deviation",
    [
        {"factors": {"pad": 1.8}},
        {"factors": {"via array": 1.6}},
        {"factors": {"case to air": 1.6}},
        {"reads_low": {"bar": 0.1}},
        {"power_reads": 0.75},
    ],
)
def test_every_lead_has_steps_and_a_caution(deviation):
    lead = findings_of(**deviation)[0]
    assert len(lead.steps) >= 2
    assert "supply" in lead.caution


def test_no_findings_for_a_pattern_that_conforms():
    assert find_causes(pattern(), ["conforming"] * 4, explain(pattern())) == ()


def test_a_contact_that_misses_a_patch_may_move_the_span_beside_it():
    """The pad at twice its budget, the vias beside it a third above theirs: a field, no two."""
    lead = findings_of(factors={"pad": 2.2, "via array": 1.3})[0]
    assert (lead.kind, lead.where, lead.lead) == ("poor-contact", "pad", True)


@pytest.mark.parametrize("settled", [True, False])
def test_while_the_rise_goes_on_no_thermocouple_leads_where_a_contact_explains_it_too(settled):
    """A bar that reads low by a little less than its pad's excess: seven to one, or so."""
    made_pattern = pattern((3.2, 0.93, 0.42, 7.5))
    likely = posterior_of(made_pattern)
    suspicions = tuple(
        replace(one, probability=p)
        for one, p in (
            (next(s for s in likely.suspicions if s.cause.where == "bar"), 0.8),
            (next(s for s in likely.suspicions if s.cause.where == "pad"), 0.1),
        )
    )
    found = find_causes(
        made_pattern, CONDEMNED, replace(likely, suspicions=suspicions), settled=settled
    )
    assert [one.lead for one in found] == [settled, False]


@dataclass(frozen=True)
class Moves:
    """Something that may be wrong, and moves the readings of the spans by so much."""

    kind: str
    moved: tuple[float, ...]
    where: str = "somewhere"
    free: frozenset[int] = frozenset()
    other: str = ""

    def moved_K_per_W(self, size, predicted_K_per_W):
        return size * np.array(self.moved)


def doubted(*suspected, unexplained=0.0, measured=(3.2, 0.6, 0.7, 7.5)):
    """Spans doubted where each is measured to 0.03 K/W and predicted to 0.04 K/W."""
    made = replace(
        pattern(measured),
        measured_covariance=np.diag(np.full(4, 0.03**2)),
        predicted_covariance=np.diag(np.full(4, 0.04**2)),
    )
    suspicions = tuple(Suspicion(cause, p, 1.0) for cause, p in suspected)
    return readings_doubted(made, Posterior(0.0, unexplained, suspicions)).tolist()


def test_what_nothing_explains_is_doubted_beyond_both_expanded_uncertainties_together():
    """3-4-5: 2 x 0.05 K/W (ISO/IEC 17043, |E_n| = 1)."""
    apart = (3.2 + 0.099, 0.6 + 0.101, 0.7 - 0.099, 7.5 - 0.101)
    assert doubted(unexplained=0.9, measured=apart) == [False, True, False, True]


@pytest.mark.parametrize("kind", ["sensor-placement", "power-error", "power-sharing"])
def test_a_reading_is_doubted_where_its_likely_fault_moves_it_by_more_than_it_states(kind):
    moves = Moves(kind, (0.059, 0.061, -0.059, -0.061))
    assert doubted((moves, 0.9)) == [False, True, False, True]


def test_a_resistance_that_rose_makes_no_reading_doubtful():
    assert doubted((Moves("poor-contact", (1.0, 1.0, 1.0, 1.0)), 0.9)) == [False] * 4


@pytest.mark.parametrize(("p", "doubt"), [(0.2, False), (0.3, True)])
def test_doubts_of_several_faults_add_up_to_likelier_than_not(p, doubt):
    pair = [
        (Moves("sensor-placement", (1.0, 0, 0, 0)), p),
        (Moves("power-error", (-1.0, 0, 0, 0)), p),
    ]
    assert doubted(*pair)[0] is doubt
