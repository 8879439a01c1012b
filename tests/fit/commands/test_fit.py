"""`heatrun fit`: what a person reads, what a program reads, and what is written where."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from typer import Typer
from typer.testing import CliRunner, Result

from fit.commands.fit import command
from fit.errors import HeatrunError
from fit.records.metadata import run_document
from fit.records.writer import RunWriter

APP = Typer()
APP.command()(command)
SOAK_S, END_S = 60.0, 1500.0
TAU_S, R_K_PER_W, POWER_W = 150.0, 8.0, 4.0


def fit(*words: str | Path) -> Result:
    return CliRunner().invoke(APP, [str(word) for word in words], env={"COLUMNS": "100"})


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two nodes above ambient, one time constant, read with a little noise (invented)."""
    folder = tmp_path_factory.mktemp("runs") / "one stage"
    random = np.random.default_rng(3)
    document = run_document("one stage", ["tab", "case", "ambient"], datetime.now(UTC))
    with RunWriter.create(folder, document, ["power_W"]) as writer:
        for t in np.arange(0.0, END_S, 2.0):
            heated = max(t - SOAK_S, 0.0)
            rise = POWER_W * R_K_PER_W * (1 - np.exp(-heated / TAU_S))
            writer.append_scan(
                float(t),
                {
                    "tab_degC": 23.0 + 1.5 * rise + random.normal(0, 0.02),
                    "case_degC": 23.0 + rise + random.normal(0, 0.02),
                    "ambient_degC": 23.0 + random.normal(0, 0.02),
                    "power_W": POWER_W if t >= SOAK_S else 0.0,
                },
            )
        writer.append_event(SOAK_S, "power_on")
        writer.append_event(END_S, "stop")
    return folder


def test_the_json_is_one_object_with_the_truth_in_it(run: Path) -> None:
    result = fit(run, "--json")
    document = json.loads(result.stdout)
    assert document["schema"] == "heatrun.fit/1"
    assert document["reference"] == "ambient"
    assert document["nodes"]["case"]["R_total_K_per_W"] == pytest.approx(R_K_PER_W, rel=0.005)
    assert document["time_constants"][-1]["tau_s"] == pytest.approx(TAU_S, rel=0.01)


def test_fit_json_in_the_folder_is_what_was_printed(run: Path) -> None:
    printed = json.loads(fit(run, "--json").stdout)
    assert json.loads((run / "fit.json").read_text()) == printed


def test_a_person_reads_time_constants_resistances_networks_and_residuals(run: Path) -> None:
    output = fit(run).stdout
    for text in ("one stage", "Time constants", "Resistance above ambient", "Foster", "Cauer"):
        assert text in output
    assert "white" in output
    assert "τ1" in output


def test_nothing_is_written_beside_a_bare_csv(run: Path, tmp_path: Path) -> None:
    (tmp_path / "bare.csv").write_bytes((run / "readings.csv").read_bytes())
    assert fit(tmp_path / "bare.csv").exit_code == 0
    assert [path.name for path in tmp_path.iterdir()] == ["bare.csv"]


def test_the_reference_may_be_named(run: Path) -> None:
    assert json.loads(fit(run, "--reference", "case", "--json").stdout)["reference"] == "case"


def test_a_reference_that_was_not_measured_is_refused(run: Path) -> None:
    result = fit(run, "--reference", "bar")
    assert isinstance(result.exception, HeatrunError)
    assert "'bar' was not measured" in str(result.exception)


def test_the_number_of_time_constants_may_be_stated(run: Path) -> None:
    assert len(json.loads(fit(run, "--order", "2", "--json").stdout)["time_constants"]) == 2


def test_what_reading_left_out_is_said(run: Path, tmp_path: Path) -> None:
    body = (run / "readings.csv").read_bytes()
    (tmp_path / "torn.csv").write_bytes(body + b"1500.0,55.")
    assert "torn" in fit(tmp_path / "torn.csv").stdout
    left_out = json.loads(fit(tmp_path / "torn.csv", "--json").stdout)["left_out"]
    assert any("torn" in sentence for sentence in left_out)


def test_a_record_that_cannot_be_read_writes_nothing(tmp_path: Path) -> None:
    result = fit(tmp_path)
    assert isinstance(result.exception, HeatrunError)
    assert list(tmp_path.iterdir()) == []


def test_figures_are_drawn_on_demand(run: Path, tmp_path: Path) -> None:
    assert fit(run, "--png", tmp_path / "figures").exit_code == 0
    drawn = sorted((tmp_path / "figures").iterdir())
    assert [path.name for path in drawn] == [
        "fit_linear_time.png",
        "fit_log_time.png",
        "fit_spectrum.png",
    ]
    assert all(path.read_bytes().startswith(b"\x89PNG") for path in drawn)


def test_a_folder_for_figures_that_cannot_be_made_is_named(run: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    result = fit(run, "--png", tmp_path / "file")
    assert isinstance(result.exception, HeatrunError)
    assert "--png" in str(result.exception)


@pytest.mark.parametrize("method", ["linear", "profile", "bootstrap"])
def test_intervals_of_every_kind_hold_the_truth(run: Path, method: str) -> None:
    document = json.loads(fit(run, "--intervals", method, "--order", "1", "--json").stdout)
    assert document["intervals"] == method
    low, high = document["time_constants"][0]["interval_95_s"]
    assert low < TAU_S < high


def test_order_beyond_what_the_record_carries_is_called_not_supported(run: Path) -> None:
    words = " ".join(fit(run, "--order", "6").stdout.split())
    assert "Not supported by the data: τ" in words
    assert "of the 6 time constants asked for" in words


def test_order_the_data_decided_has_nothing_unsupported(run: Path) -> None:
    assert "Not supported" not in fit(run).stdout


def test_what_the_fit_does_not_count_is_said_beside_its_uncertainties(run: Path) -> None:
    assert "of the fit alone" in fit(run).stdout
