"""`heatrun check` from the command line: what it prints, writes, and leaves with."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
import tomllib
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from bench.virtual.prototype import Prototype, Sensor
from fit.commands.check import command, exit_status
from fit.commands.rate import command as rate
from fit.errors import HeatrunError
from fit.notation import with_expanded
from fit.records.metadata import run_document
from fit.records.writer import RunWriter
from fit.statistics.batch import Outcome
from tests.benchmarks.faulty_rigs import MEASURED, NODES, record

R_K_PER_W = (1.5, 3.2, 0.6, 0.5, 7.5)
C_J_PER_K = (0.05, 1.0, 4.0, 25.0, 150.0)
NAMES = ("junction to tab", "via array", "pad", "bar to case", "case to air")
APP = typer.Typer()
APP.command()(command)
RATE = typer.Typer()
RATE.command()(rate)


def heatrun_check(*arguments):
    return CliRunner().invoke(APP, [str(argument) for argument in arguments])


def write_run(folder, pad=1.0, budget=None):
    """A run of a linear prototype with its pad off by a factor."""
    true = (*R_K_PER_W[:2], R_K_PER_W[2] * pad, *R_K_PER_W[3:])
    sensors = {node: Sensor(0.4, 0.03, 1.0, 1 / 16) for node in NODES[1:]}
    prototype = Prototype(NODES, true, C_J_PER_K, path_fraction=0.97, sensors=sensors)
    run = record(prototype, 4.2, np.random.default_rng(1), interval_s=10.0)
    document = run_document(folder.name, MEASURED, datetime(2026, 1, 1, tzinfo=UTC), budget=budget)
    columns = [f"{node}_degC" for node in MEASURED]
    with RunWriter.create(folder, document, ["power_W"]) as writer:
        for t_s, row, power_W in zip(run.t_s, run.temperature_degC, run.power, strict=True):
            writer.append_scan(t_s, dict(zip(columns, row, strict=True)) | {"power_W": power_W})
    return folder


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    """A folder with a sound run, one with a poor pad, and one of rubbish."""
    folder = tmp_path_factory.mktemp("runs")
    write_run(folder / "sound")
    write_run(folder / "poor_pad", pad=1.9)
    rubbish = folder / "rubbish"
    rubbish.mkdir()
    (rubbish / "readings.csv").write_text("t_s,tab_degC,power_W\n0,abc,0\n")
    return folder


@pytest.fixture(scope="module")
def budget(tmp_path_factory):
    path = tmp_path_factory.mktemp("budget") / "budget.toml"
    stages = "".join(
        f'[[stage]]\nname = "{name}"\nfrom = "{start}"\nto = "{end}"\nkind = "stated"\n'
        f"R_K_per_W = {R}\nR_u_K_per_W = {0.1 * R}\nC_J_per_K = {C}\n"
        f"contact = {'true' if name in ('pad', 'bar to case') else 'false'}\n"
        for name, start, end, R, C in zip(
            NAMES, NODES, NODES[1:], R_K_PER_W, C_J_PER_K, strict=False
        )
    )
    path.write_text(
        'schema = 1\ntitle = "Charge controller (invented)"\n[conditions]\npower_W = 4.2\n'
        f"ambient_degC = 23.0\npath_fraction = 0.97\npath_fraction_u = 0.01\n{stages}"
    )
    return path


def test_sound_run_leaves_with_0_and_a_check_json(runs, budget):
    done = heatrun_check(runs / "sound", "--budget", budget)
    assert done.exit_code == 0, done.output
    document = json.loads((runs / "sound" / "check.json").read_text())
    assert document["schema"] == "heatrun.check/1"
    assert document["decision"] == "conforming"
    assert document["findings"] == []


def test_run_is_held_against_the_budget_kept_in_it(budget, tmp_path):
    kept = write_run(tmp_path / "kept", budget=tomllib.loads(budget.read_text()))
    assert heatrun_check(kept).exit_code == 0
    rated = CliRunner().invoke(RATE, [str(kept), "--ambient", "40"])
    assert rated.exit_code == 0, rated.output


def test_run_without_a_budget_asks_for_one_in_one_line(runs):
    done = heatrun_check(runs / "sound")
    assert (done.exit_code, done.stdout) == (2, "")
    assert done.stderr.strip().endswith("sound: keeps no budget; state --budget BUDGET")
    assert len(done.stderr.splitlines()) == 1


def test_poor_pad_leaves_with_1_and_says_what_to_do(runs, budget):
    done = heatrun_check(runs / "poor_pad", "--budget", budget)
    assert done.exit_code == 1, done.output
    words = " ".join(done.output.split())
    assert "Poor contact at 'pad'" in words
    assert "1. Tighten the screws" in words
    assert "Caution:" in words


def test_json_is_one_object_and_nothing_else(runs, budget):
    done = heatrun_check(runs / "poor_pad", "--budget", budget, "--json")
    document = json.loads(done.stdout)
    pad = next(span for span in document["spans"] if span["stages"] == ["pad"])
    assert pad["measured"]["R_K_per_W"] == pytest.approx(1.9 * 0.6, rel=0.03)
    assert document["findings"][0]["kind"] == "poor-contact"
    assert document["spans"][0]["measured"] is None


def test_json_of_one_run_loads_no_more_than_it_needs(runs, budget):
    heavy = {"pandas", "lmfit", "matplotlib", "rich", "scipy.stats", "concurrent.futures.process"}
    program = (
        "import sys\n"
        "from bench.cli import main\n"
        "try: main(sys.argv[1:])\n"
        f"finally: print(sorted({heavy} & set(sys.modules)))"
    )
    words = ["check", str(runs / "sound"), "--budget", str(budget), "--json"]
    done = subprocess.run(
        [sys.executable, "-c", program, *words], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[1:] == ["[]"]


def test_bare_file_gets_no_results_beside_it(runs, budget, tmp_path):
    bare = tmp_path / "bare.csv"
    bare.write_bytes((runs / "sound" / "readings.csv").read_bytes())
    assert heatrun_check(bare, "--budget", budget).exit_code == 0
    assert list(tmp_path.iterdir()) == [bare]


def test_folder_of_runs_goes_on_past_a_bad_one(runs, budget, tmp_path):
    table = tmp_path / "table.csv"
    done = heatrun_check(runs, "--budget", budget, "--table", table, "--jobs", 2)
    assert done.exit_code == 1
    assert "rubbish" in done.stderr
    assert "3 runs: " in done.stdout
    with table.open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    by_run = {row["run"].rsplit("/", 1)[-1]: row for row in rows}
    assert by_run["rubbish"]["error"]
    assert by_run["poor_pad"]["cause"] == "poor-contact"
    assert by_run["sound"]["decision"] == "conforming"
    assert len(rows) == 5 + 5 + 1


def test_many_as_json_is_one_object_with_every_run(runs, budget):
    document = json.loads(heatrun_check(runs, "--budget", budget, "--json", "--jobs", 1).stdout)
    assert [("error" in run) for run in document["runs"]] == [False, True, False]


def test_table_is_never_written_over(runs, budget, tmp_path):
    table = tmp_path / "table.csv"
    table.write_text("precious")
    done = heatrun_check(runs, "--budget", budget, "--table", table)
    assert isinstance(done.exception, HeatrunError)
    assert "exists already" in str(done.exception)
    assert table.read_text() == "precious"


def test_bad_run_alone_leaves_with_2_and_one_line(runs, budget):
    done = heatrun_check(runs / "rubbish", "--budget", budget)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1
    assert not (runs / "rubbish" / "check.json").exists()


@pytest.mark.parametrize(
    ("decisions", "status"),
    [
        (["conforming"], 0),
        (["conforming", "undecided"], 3),
        (["undecided", None], 2),
        (["undecided", None, "non-conforming"], 1),
    ],
)
def test_exit_status_of_several_runs(decisions, status):
    outcomes = [
        Outcome(None, None, "bad") if d is None else Outcome(None, SimpleNamespace(decision=d))
        for d in decisions
    ]
    assert exit_status(outcomes) == status


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (0.98234, 0.0071, "0.982 ± 0.014"),
        (12.3, 0.0, "12.3"),
        (7.5, 0.6, "7.5 ± 1.2"),
        (150.0, 10.0, "150 ± 20"),
    ],
)
def test_uncertainty_has_two_digits(value, u, text):
    assert with_expanded(value, u) == text


@pytest.mark.parametrize(("columns", "shows_nodes"), [("80", False), ("120", True)])
def test_every_span_stands_on_one_line_of_any_usual_terminal(
    runs, budget, monkeypatch, columns, shows_nodes
):
    monkeypatch.setenv("COLUMNS", columns)
    printed = heatrun_check(runs / "sound", "--budget", budget).stdout
    (line,) = [line for line in printed.splitlines() if "via array" in line]
    assert "conforming" in line
    assert ("tab – board_back" in line) is shows_nodes
