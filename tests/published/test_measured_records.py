"""Real step records of other people's rigs, through import and fit.

The records and what independent free least squares gives on them: ../shared/data/SOURCES.md beside
the checkout, with source and licence of each. They are not part of the project; without them these
tests are skipped.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from fit.identification.identify import identify
from fit.identification.response import Response
from fit.records.imports.convert import Columns, import_file
from fit.records.run import Run, read_run

DATA = Path(__file__).parents[2].parent / "shared" / "data"
pytestmark = pytest.mark.skipif(
    not DATA.is_dir(), reason="the measured records are not in ../shared/data beside the checkout"
)


def percent(time: str, heater: str, power: str) -> Columns:
    return Columns(time=(time,), nodes={"heater": heater}, power=power, power_unit="percent")


BOXED = percent("time_s", "T1_C", "Q1_pct")
RECORDS = {
    "two_heaters_step_50pct": percent("Time", "T1", "Q1"),
    "two_heaters_step_100pct_with_spikes": percent("Time", "T1", "Q1"),
    "one_heater_levels_kelvin": Columns(
        time=("1",), nodes={"heater": "3"}, power="2", temperature_unit="K", power_unit="level"
    ),
    "one_heater_levels_fahrenheit": Columns(
        time=("time",),
        nodes={"heater": "temperature"},
        power="voltage",
        temperature_unit="degF",
        power_unit="level",
    ),
    "two_heaters_levels": Columns(
        time=("Time (sec)",),
        nodes={"heater_1": "Temperature 1 (degC)", "heater_2": "Temperature 2 (degC)"},
        power="Heater 1 (%)",
        power_unit="percent",
    ),
    "one_heater_levels_with_power_off": percent("time", "T", "Q"),
    "two_heaters_boxed_step_run01": BOXED,
    "two_heaters_boxed_step_run02": BOXED,
    "two_heaters_boxed_step_run03": BOXED,
    "oven_heat_thermocouple": Columns(
        time=("timestamp",),
        nodes={"oven": "temperature_degC"},
        power="1",
        power_unit="full power",
    ),
    "oven_cool_thermocouple": Columns(
        time=("timestamp",), nodes={"oven": "temperature_degC"}, power="0"
    ),
}


@dataclass(frozen=True)
class Listed:
    """Time constants listed in SOURCES.md for one order."""

    record: str
    tau_s: tuple[float, ...]
    lag: bool = False  # the first term is negative: a sensor that lags


LISTED = (
    Listed("two_heaters_step_50pct", (160.0,)),
    Listed("two_heaters_step_50pct", (34.0, 140.0), lag=True),
    Listed("two_heaters_boxed_step_run01", (193.0,)),  # listed as 190 to 196
    Listed("two_heaters_boxed_step_run02", (193.0,)),
    Listed("two_heaters_boxed_step_run03", (193.0,)),
    Listed("one_heater_levels_kelvin", (12.0, 136.0), lag=True),
    Listed("one_heater_levels_with_power_off", (11.0, 133.0), lag=True),
    Listed("oven_heat_thermocouple", (38.0, 187.0), lag=True),
    Listed("oven_cool_thermocouple", (267.0, 607.0)),
)


Import = Callable[[str], Run]
Fit = Callable[[str, int | None], Response]


@pytest.fixture(scope="module")
def imported(tmp_path_factory: pytest.TempPathFactory) -> Import:
    """Each record as a run, imported once."""
    folder = tmp_path_factory.mktemp("measured records")

    @cache
    def run_of(record: str) -> Run:
        out = folder / record
        import_file(DATA / f"{record}.csv", RECORDS[record], out)
        return read_run(out)

    return run_of


@pytest.fixture(scope="module")
def fitted(imported: Import) -> Fit:
    """Each record identified once at each order."""
    return cache(lambda record, order: identify(imported(record), order=order))


def test_every_record_of_the_folder_is_tried() -> None:
    assert {path.stem for path in DATA.glob("*.csv")} == set(RECORDS)


@pytest.mark.parametrize("record", RECORDS)
def test_every_reading_of_a_record_is_imported(record: str, imported: Import) -> None:
    lines = (DATA / f"{record}.csv").read_text().splitlines()
    has_header = not lines[0][0].isdigit()
    run = imported(record)
    assert len(run.t_s) == len(lines) - has_header
    assert np.all(np.diff(run.t_s) > 0)
    assert run.left_out == ()


@pytest.mark.parametrize(
    "listed", LISTED, ids=lambda listed: f"{listed.record}-{len(listed.tau_s)}"
)
def test_time_constants_are_those_listed_within_5_percent(listed: Listed, fitted: Fit) -> None:
    response = fitted(listed.record, len(listed.tau_s))
    assert response.tau_s == pytest.approx(listed.tau_s, rel=0.05)
    if listed.lag:
        assert response.resistance_K_per_W[0, 0] < 0 < response.resistance_K_per_W[0, 1]


@pytest.mark.parametrize("record", RECORDS)
def test_every_record_is_fitted_or_says_what_it_does_not_carry(
    record: str, imported: Import, fitted: Fit
) -> None:
    response = fitted(record, None)
    span_K = np.ptp(imported(record).temperature_degC[:, 0])
    assert np.isfinite(response.tau_s).all()
    assert response.residual_rms_K < 0.03 * span_K or response.not_resolved or response.warnings


def test_spikes_are_left_out_and_said(fitted: Fit) -> None:
    response = fitted("two_heaters_step_100pct_with_spikes", None)
    assert any("spike" in sentence for sentence in response.signals.left_out)


def test_the_placeholder_before_the_first_reading_is_left_out_and_said(tmp_path: Path) -> None:
    both = Columns(
        time=("time_s",),
        nodes={"heater": "T1_C", "board": "T2_C"},
        power="Q1_pct",
        power_unit="percent",
    )
    name = "two_heaters_boxed_step_run01.csv"
    run = read_run(import_file(DATA / name, both, tmp_path / "both").folder)
    response = identify(run)
    assert any("placeholder" in sentence for sentence in response.signals.left_out)


def test_resistances_say_that_they_are_not_per_watt(fitted: Fit) -> None:
    response = fitted("two_heaters_step_50pct", 2)
    assert response.power_unit == "percent"
    assert response.total_K_per_W[0] == pytest.approx(
        0.857, rel=0.02
    )  # K/%, by a free fit with scipy
