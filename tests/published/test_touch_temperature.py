"""The touch table that comes with heatrun, value by value, and how a user's own is taken.

Values of IEC 62368-1 (TS1) and ISO 13732-1 are quoted from memory, in the table as here: the user
confirms them against the edition in force.
"""

from __future__ import annotations

import math

import pytest

from fit.errors import InputError
from fit.rating.touch_limits import read_touch_limits

IEC_62368_1_TS1 = [
    (1, {"metal": 70, "glass": 85, "plastic": 94}),
    (10, {"metal": 60, "glass": 71, "plastic": 77}),
    (60, {"metal": 51, "glass": 56, "plastic": 60}),
    (math.inf, {"metal": 48, "glass": 48, "plastic": 48}),
]
"""IEC 62368-1, touch class TS1, by longest contact in seconds (memory)."""

ISO_13732_1_BARE_METAL = [(60, 51), (600, 48), (28800, 43)]
"""ISO 13732-1, burn threshold of bare metal: 1 min, 10 min, 8 h (memory)."""


@pytest.fixture(scope="module")
def table():
    return read_touch_limits()


@pytest.mark.parametrize(("duration_s", "limits"), IEC_62368_1_TS1)
def test_touch_limits_by_contact_and_material(table, duration_s, limits):
    row = next(
        row for row in table.limits if "62368" in row.standard and row.duration_s == duration_s
    )
    assert row.limit_degC == limits


@pytest.mark.parametrize(("duration_s", "limit_degC"), ISO_13732_1_BARE_METAL)
def test_burn_thresholds_of_bare_metal(table, duration_s, limit_degC):
    row = next(
        row for row in table.limits if "13732" in row.standard and row.duration_s == duration_s
    )
    assert row.limit_degC == {"metal": limit_degC}


def test_touch_is_judged_at_25_degrees(table):
    """Touch at 25 °C ambient, junction at the highest: committee practice, second-hand."""
    assert table.ambient_degC == 25.0


def test_longer_contact_never_allows_a_hotter_surface(table):
    for standard in {row.standard for row in table.limits}:
        rows = sorted(
            (r for r in table.limits if r.standard == standard), key=lambda r: r.duration_s
        )
        metal = [row.limit_degC["metal"] for row in rows]
        assert metal == sorted(metal, reverse=True)


def test_table_says_that_nobody_has_confirmed_it(table):
    assert (table.confirmed, table.decides) == ("", False)


OWN = """schema = 1
confirmed = "edition 3, by us"
[[limit]]
standard = "house rule"
contact = "handle"
duration_s = 60
plastic_degC = 55
"""


def test_own_table_takes_the_place_of_the_shipped_one(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(OWN)
    own = read_touch_limits(path)
    assert own.confirmed == "edition 3, by us"
    assert own.of("metal") == ()
    assert [limit for _, limit in own.of("plastic")] == [55.0]


@pytest.mark.parametrize(
    ("old", "new", "place"),
    [
        ("plastic_degC = 55", 'plastic_degC = "hot"', "limit: 1: plastic_degC"),
        ("plastic_degC = 55", "plastic_degC = -5", "limit: 1: plastic_degC"),
        ("plastic_degC", "wood_degC", "limit: 1: wood_degC"),
        ("duration_s = 60", "duration_s = 0", "limit: 1: duration_s"),
        ("schema = 1", "schema = 2", "schema"),
        ("edition 3, by us", "yes", "confirmed: 'yes' will not do; the edition"),
        ("[[limit]]", "[limit", "is not TOML"),
    ],
)
def test_bad_table_is_refused_with_its_place(tmp_path, old, new, place):
    path = tmp_path / "own.toml"
    path.write_text(OWN.replace(old, new))
    with pytest.raises(InputError) as refused:
        read_touch_limits(path)
    assert str(refused.value).startswith(f"{path}: ")
    assert place in str(refused.value)
