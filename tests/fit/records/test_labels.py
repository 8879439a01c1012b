"""What the user states of a run."""

from __future__ import annotations

import pytest

from fit.errors import RecordError
from fit.records.labels import stated_labels


def test_what_is_not_stated_is_not_kept() -> None:
    assert stated_labels(None, None) == {}


def test_a_number_is_a_number_and_the_rest_words() -> None:
    labels = stated_labels(" SN12 ", ["torque_Nm=0.5", "lot = A3", "run=nan"])
    assert labels == {"unit": "SN12", "values": {"torque_Nm": 0.5, "lot": "A3", "run": "nan"}}


@pytest.mark.parametrize(
    ("unit", "values", "where"),
    [
        (" ", [], "--unit"),
        (None, ["torque"], "--set"),
        (None, ["torque="], "--set"),
        (None, ["5=torque"], "--set"),
        (None, ["lot=A", "lot=B"], "--set"),
    ],
)
def test_what_cannot_be_meant_is_refused_by_its_option(
    unit: str | None, values: list[str], where: str
) -> None:
    with pytest.raises(RecordError, match=where):
        stated_labels(unit, values)
