"""Units put together: which count, what is left out, which are the worst."""

from __future__ import annotations

from dataclasses import replace

import pytest

from fit.errors import NotIdentifiable
from fit.statistics.unit_row import UnitRow
from fit.statistics.units import summarize
from tests.support.made_units import MEAN, made_units, span_row, with_spans

POOR_PAD = (span_row(0, 3.2), span_row(1, 1.14), span_row(2, 0.5))


def with_poor_pad(row: UnitRow) -> UnitRow:
    return replace(with_spans(row, *POOR_PAD), cause="poor-contact", where="pad", probability=0.97)


def test_every_span_has_its_distribution_about_the_truth() -> None:
    found = summarize(made_units(25))
    assert [span.name for span in found.spans] == ["via array", "pad", "bar to case"]
    for span, mean in zip(found.spans, MEAN, strict=True):
        assert span.population is not None
        assert span.population.mean_K_per_W == pytest.approx(mean, rel=0.05)
        assert span.population.units == 25


def test_the_last_run_of_a_unit_counts() -> None:
    rows = made_units(6)
    mended = replace(rows[2], started="2026-04-01T08:00:00Z", run="runs/mended")
    found = summarize([mended, *rows[:2], with_poor_pad(rows[2]), *rows[3:]])
    assert (len(found.units), found.superseded) == (6, 1)
    assert found.conforming.conforming == 6


def test_runs_that_name_no_unit_are_units_of_their_own() -> None:
    rows = [replace(row, unit="") for row in made_units(4)]
    assert len(summarize(rows).units) == 4


def test_a_run_that_could_not_be_read_is_counted_apart() -> None:
    found = summarize([*made_units(4), UnitRow(run="runs/bad", error="runs/bad: no")])
    assert [row.run for row in found.not_read] == ["runs/bad"]
    assert found.conforming.units == 4


def test_the_worst_unit_is_named_first_with_its_worst_span() -> None:
    rows = made_units(12)
    rows[5] = with_poor_pad(rows[5])
    worst = summarize(rows, worst=3).worst
    assert len(worst) == 3
    assert (worst[0].unit.unit, worst[0].span.stages) == ("SN005", ("pad",))
    assert [one.span.p_conforming for one in worst] == sorted(
        one.span.p_conforming or 0.0 for one in worst
    )


def test_a_unit_that_lies_apart_is_named() -> None:
    rows = made_units(12)
    rows[5] = with_poor_pad(rows[5])
    found = summarize(rows)
    assert [[one.unit.unit for one in span.apart] for span in found.spans] == [[], ["SN005"], []]
    assert any("SN005" in warning for warning in found.warnings)


def test_readings_that_are_wrong_tell_nothing_of_the_units() -> None:
    rows = made_units(12)
    rows[5] = replace(with_poor_pad(rows[5]), cause="sensor-placement", where="bar")
    found = summarize(rows)
    assert [span.left_out for span in found.spans] == [1, 1, 1]
    assert found.conforming.non_conforming == 1
    assert any("left out of the distributions" in warning for warning in found.warnings)


def test_what_a_record_does_not_resolve_is_left_out() -> None:
    rows = made_units(5)
    vague = replace(rows[0].spans[2], resolved=False)
    rows[0] = replace(rows[0], spans=(*rows[0].spans[:2], vague))
    assert [span.left_out for span in summarize(rows).spans] == [0, 0, 1]


@pytest.mark.parametrize(("rigs", "part"), [(["one"] * 8, 1.0), (["one", "two"] * 4, 0.5**0.5)])
def test_what_the_units_of_a_rig_share_averages_over_rigs_alone(
    rigs: list[str], part: float
) -> None:
    rows = [
        with_spans(
            replace(row, rig=rig),
            replace(span_row(0, 3.2), measured_u_K_per_W=0.16, own_u_K_per_W=0.0),
        )
        for row, rig in zip(made_units(8), rigs, strict=True)
    ]
    found = summarize(rows).spans[0].population
    assert found is not None
    assert found.mean_u_K_per_W == pytest.approx(0.16 * part, rel=0.01)


def test_a_label_that_no_unit_states_is_asked_for() -> None:
    with pytest.raises(NotIdentifiable, match="log with --set operator="):
        summarize(made_units(5), by=["operator"])


def test_drift_is_looked_for_by_date_and_by_what_is_asked() -> None:
    (first, *_) = summarize(made_units(20), by=["lot", "torque_Nm"]).spans
    assert [drift.against for drift in first.drift] == ["date", "lot", "torque_Nm"]


def test_a_label_of_too_few_units_is_said() -> None:
    rows = [
        replace(row, values={"lot": "A"} if i < 3 else {}) for i, row in enumerate(made_units(8))
    ]
    assert any(
        said.startswith("lot: set in 3 of 8 units")
        for said in summarize(rows, by=("lot",)).warnings
    )


def test_nothing_read_is_one_line() -> None:
    with pytest.raises(NotIdentifiable, match="none of the 1 runs could be read"):
        summarize([UnitRow(run="a", error="a: no")])
