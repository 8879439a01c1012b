"""A junction calibrated by its own cool-down speaks for itself, and for no bead."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fit.assessment.alignment import lay_on_budget
from fit.assessment.conformity import Verdict, hold
from fit.assessment.diagnosis import Finding
from fit.assessment.junction_causes import together
from fit.measurement.junction import Junction
from fit.measurement.junction_calibration import Calibration
from fit.measurement.junction_span import with_junction, without_junction
from tests.fit.assessment.test_conformity import END, FINAL, recorded
from tests.support.made import POWER_W, PREDICTED_K_PER_W, SHARE, prediction, spans


def junction(factor: float = 1.0, of_its_own: bool = True) -> Junction:
    """Junction to tab, `factor` times its budget, known to 2 %."""
    R = PREDICTED_K_PER_W[0] * SHARE * factor
    diode = Calibration(320.0, np.array([0.6, 2e-3, 3.0, 0.0]), np.eye(4) * 1e-12, 0.0, of_its_own)
    variance = {"fit": (0.02 * R) ** 2}
    return Junction("junction", "tab", R, variance, 0.0, R * POWER_W, 0.0, 60, 1e-4, 0.02, diode)


def verdict(one: Junction, **bench: object) -> Verdict:
    return hold(with_junction(spans(**bench), one), prediction())  # type: ignore[arg-type]


def test_a_sound_junction_is_conforming_and_nothing_is_found() -> None:
    found = verdict(junction())
    assert found.spans[0].decision == "conforming"
    assert found.findings == ()


def test_too_high_a_resistance_under_the_die_leads() -> None:
    found = verdict(junction(1.7))
    assert found.spans[0].decision == "non-conforming"
    lead = found.findings[0]
    assert (lead.kind, lead.where, lead.lead) == ("high-resistance", "junction to tab", True)
    assert "data sheet" in lead.steps[0]


@pytest.mark.parametrize("missed", [0.1, 0.3])
def test_a_loose_bead_on_the_tab_is_weighed_as_without_the_junction(missed: float) -> None:
    loose = {"tab": missed}
    # What the tab's bead misses of its rise, the junction misses of its own.
    with_it = verdict(junction(1 - missed), reads_low=loose)
    without = hold(spans(reads_low=loose), prediction())
    named = [(one.kind, one.where, round(one.probability, 6)) for one in without.findings]
    assert [(o.kind, o.where, round(o.probability, 6)) for o in with_it.findings] == named


def test_a_junction_calibrated_by_a_doubted_bead_is_not_called_conforming() -> None:
    found = verdict(junction(0.7), reads_low={"tab": 0.3})
    assert found.findings[0].where == "tab"
    assert found.spans[0].decision == "undecided"


def test_taken_away_again_the_spans_are_what_they_were() -> None:
    before = spans()
    after = without_junction(with_junction(before, junction()))
    assert after.nodes == before.nodes
    assert np.array_equal(after.R_K_per_W, before.R_K_per_W)
    assert np.array_equal(after.total_covariance, before.total_covariance)
    assert after.junction is None


def test_of_two_searches_the_likelier_finding_leads_alone() -> None:
    one = Finding("poor-contact", "pad", 0.8, "pad", lead=True)
    other = Finding("high-resistance", "junction to tab", 0.9, "die", lead=True)
    found = together((one,), (other,))
    assert [(finding.where, finding.lead) for finding in found] == [
        ("junction to tab", True),
        ("pad", False),
    ]
    assert together((one,), ()) == (one,)
    assert not together((replace(one, lead=False),), (replace(other, lead=False),))[0].lead


@pytest.mark.parametrize(("unknown", "tab_K"), [(False, 50.0), (True, 28.0)])
def test_the_junctions_rise_is_its_drop_above_the_tabs_whatever_the_record_tells_of_that(
    unknown: bool, tab_K: float
) -> None:
    """8 K above a tab that ends 50 K up, or has shown 28 K where its end is anybody's guess."""
    one = replace(junction(), above_K=8.0)
    path = lay_on_budget(
        with_junction(recorded(FINAL, END, unknown=unknown), one), prediction().budget
    )
    assert path.rise_K[:2] == pytest.approx([tab_K + 8.0, tab_K])
