"""`heatrun import` from the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer import Typer
from typer.testing import CliRunner

from fit.commands.import_file import command
from fit.records.run import read_run
from tests.support.other_loggers import (
    PLAIN,
    TWO,
    same_readings,
)

APP = Typer()
APP.command()(command)


def invoke(*words: str) -> str:
    result = CliRunner().invoke(APP, words)
    assert result.exit_code == 0, result.output
    return result.stdout


def test_the_command_prints_the_run_folder_and_nothing_else(tmp_path: Path) -> None:
    (tmp_path / "log.txt").write_text(PLAIN)
    out = tmp_path / "run"
    words = ["--time", "Time", "--node", "tab=T1", "--node", "case=T2", "--power", "P"]
    assert invoke(str(tmp_path / "log.txt"), *words, "--out", str(out)) == f"{out}\n"
    same_readings(read_run(out))


def test_the_default_folder_is_named_by_start_and_label(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "log.txt").write_text(
        "Time,T1,P\n2026-03-29T02:00:00Z,23,0\n2026-03-29T02:00:01Z,23,4\n"
    )
    words = ["--time", "Time", "--node", "tab=T1", "--power", "P", "--label", "Rev C, pad 2"]
    folder = invoke("log.txt", *words).strip()
    assert Path(folder) == Path("runs/20260329T020000Z_rev-c-pad-2")
    events = (tmp_path / folder / "events.jsonl").read_text().splitlines()
    assert json.loads(events[-1])["event"] == "stop"


def test_unit_and_what_was_set_are_kept_as_log_keeps_them(tmp_path: Path) -> None:
    (tmp_path / "log.txt").write_text(PLAIN)
    words = ["--time", "Time", "--node", "tab=T1", "--power", "P", "--out", str(tmp_path / "run")]
    invoke(str(tmp_path / "log.txt"), *words, "--unit", "SN12", "--set", "torque_Nm=0.5")
    document = json.loads((tmp_path / "run" / "run.json").read_text(encoding="utf-8"))
    assert (document["unit"], document["values"]) == ("SN12", {"torque_Nm": 0.5})


def test_options_that_cannot_be_meant_are_refused(tmp_path: Path) -> None:
    (tmp_path / "log.txt").write_text(PLAIN)
    words = [str(tmp_path / "log.txt"), "--time", "Time", "--power", "P"]
    for node in ("tab", "=T1", "tab="):
        assert CliRunner().invoke(APP, [*words, "--node", node]).exit_code == 2


def test_source_takes_the_place_of_power_on_the_command_line(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text(TWO)
    app = Typer()
    app.command()(command)
    words = [str(tmp_path / "log.csv"), "--time", "Time", "--node", "tab=T1", "--node", "case=T2"]
    words += ["--source", "charger=P", "--source", "regulator=Q", "--out", str(tmp_path / "run")]
    assert CliRunner().invoke(app, words).exit_code == 0
    assert read_run(tmp_path / "run").sources == ("charger", "regulator")
