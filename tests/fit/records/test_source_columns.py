"""Which columns carry power, of which source, and that a run of several is read as it was."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fit.errors import RecordError
from fit.records.run import Run, read_run
from fit.records.source_columns import PowerColumns, power_columns
from tests.support import made_trees


@pytest.mark.parametrize(
    ("names", "found"),
    [
        ("power_W", {"": "power_W"}),
        ("supply_V supply_A", {"": "supply_V supply_A"}),
        ("supply_V supply_A power_W", {"": "power_W"}),
        ("power_W fan_V fan_A", {"": "power_W"}),
        ("supply_V supply_A fan_V fan_A", {"": "supply_V supply_A"}),
        ("power_lamp_W power_fan_W", {"lamp": "power_lamp_W", "fan": "power_fan_W"}),
        ("lamp_V lamp_A fan_V fan_A", {"lamp": "lamp_V lamp_A", "fan": "fan_V fan_A"}),
        ("fan_V fan_A power_lamp_W", {"fan": "fan_V fan_A", "lamp": "power_lamp_W"}),
        ("fan_V fan_A power_fan_W", {"fan": "power_fan_W"}),
        ("power_lamp_W supply_V supply_A", {"lamp": "power_lamp_W"}),
        ("power_lamp_W power_W", {"lamp": "power_lamp_W"}),
        ("power_led_1_W", {"led_1": "power_led_1_W"}),
        ("fan_V supply_A", {}),
        ("supply_V", {}),
        ("power_Lamp_W", {}),
        ("t_s tab_degC", {}),
        ("_V _A", {}),
    ],
)
def test_each_form_of_power_is_found(names: str, found: dict[str, str]) -> None:
    columns = [(one.source, " ".join(one.columns)) for one in power_columns(names.split())]
    assert columns == list(found.items())


def test_watts_are_volts_times_amperes() -> None:
    columns = PowerColumns("fan", ("fan_V", "fan_A"))
    table = {"fan_V": np.array([12.0, 11.0]), "fan_A": np.array([0.5, 0.25])}
    assert columns.power(table).tolist() == [6.0, 2.75]
    assert columns.name == "fan_V x fan_A"


def bare(folder: Path, text: str) -> Path:
    path = folder / "readings.csv"
    path.write_text(text)
    return path


def test_power_of_a_run_is_the_sum_of_its_sources(tmp_path: Path) -> None:
    run = read_run(
        bare(tmp_path, "t_s,tab_degC,power_lamp_W,fan_V,fan_A\n0,23,0,0,0\n1,24,3,12,.5\n")
    )
    assert run.sources == ("lamp", "fan")
    assert run.source_power is not None
    assert run.source_power.tolist() == [[0.0, 0.0], [3.0, 6.0]]
    assert run.power.tolist() == [0.0, 9.0]


def test_sum_of_the_supply_beside_named_sources_is_not_counted_again(tmp_path: Path) -> None:
    text = "t_s,tab_degC,power_lamp_W,power_W,supply_V,supply_A\n0,23,3,9,9,9\n1,24,3,9,9,9\n"
    run = read_run(bare(tmp_path, text))
    assert run.power.tolist() == [3.0, 3.0]
    assert run.left_out == ()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (
            "t_s,tab_degC,power_lamp_W,power_fan_W\n0,23,0,0\n1,24,3,-2\n",
            "line 3, column power_fan_W: is -2; heat put in counts as positive",
        ),
        (
            "t_s,tab_degC,fan_V,fan_A,power_lamp_W\n0,23,0,0,0\n1,24,12,-.5,3\n",
            "line 3, column fan_V x fan_A: is -6",
        ),
        ("t_s,tab_degC,power_lamp_W\n0,23,0\n1,24,2e9\n", "column power_lamp_W: is 2e+09"),
        ("t_s,tab_degC,power_lamp_W\n0,23,0\n1,24,much\n", "power_lamp_W"),
        ("t_s,tab_degC,fan_V\n0,23,0\n", "power"),
    ],
)
def test_power_of_a_source_that_cannot_be_is_named(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(RecordError) as caught:
        read_run(bare(tmp_path, text))
    said = str(caught.value)
    assert "\n" not in said
    assert said.startswith(str(tmp_path / "readings.csv"))
    assert says in said


SOURCE_NAMES = st.from_regex(r"[a-z][a-z0-9_]{0,11}", fullmatch=True)
WATTS = st.floats(0, 1e4)


@given(
    names=st.lists(SOURCE_NAMES, min_size=1, max_size=4, unique=True),
    rows=st.lists(st.tuples(st.floats(-270, 1800), *4 * [WATTS]), min_size=1, max_size=8),
)
@settings(max_examples=60, deadline=None)
def test_any_run_of_sources_makes_the_round_trip(
    tmp_path_factory: pytest.TempPathFactory, names: list[str], rows: list[tuple[float, ...]]
) -> None:
    table = np.array(rows)
    each = table[:, 1 : 1 + len(names)]
    run = Run(
        Path("made"), "made", ("tab",), np.arange(float(len(rows))), table[:, :1],
        each.sum(axis=1), sources=tuple(names), source_power=each,
    )  # fmt: skip
    path = made_trees.write_csv(run, tmp_path_factory.mktemp("sources") / "run.csv")
    back = read_run(path)
    assert back.sources == run.sources
    np.testing.assert_array_equal(back.source_power, each)
    np.testing.assert_array_equal(back.power, run.power)
