"""Products of two parts from the command line: a bare CSV with a power of each source."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from bench.cli import main
from tests.support.made_trees import made_run, prototype, steady_degC, write_budget, write_csv

LONG: dict[str, Any] = {"off_s": (4000, 4180), "end_s": 4360.0, "noise_K": 0.03}


class Done(NamedTuple):
    """What a command leaves behind."""

    status: int
    output: str
    error: str

    @property
    def said(self) -> str:
        """On either stream."""
        return self.output + self.error


Heatrun = Callable[..., Done]


@pytest.fixture
def heatrun(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Heatrun:
    """The command line."""
    monkeypatch.setenv("COLUMNS", "140")

    def run(*arguments: object) -> Done:
        with pytest.raises(SystemExit) as left:
            main([str(argument) for argument in arguments])
        code = left.value.code or 0
        assert isinstance(code, int)
        return Done(code, *capsys.readouterr())

    return run


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A budget; a run that is sound, has a poor pad, is short, names other sources."""
    folder = tmp_path_factory.mktemp("several")
    write_budget(folder)
    sound = made_run(**LONG)
    write_csv(sound, folder / "sound.csv")
    write_csv(made_run(prototype(back_2=2.9), **LONG), folder / "poor_pad.csv")
    write_csv(made_run(off_s=(150, 300), end_s=300.0, noise_K=0.03), folder / "short.csv")
    write_csv(replace(sound, sources=("charger", "lamp")), folder / "other_names.csv")
    return folder


def budget_of(folder: Path) -> tuple[str, Path]:
    return "--budget", folder / "budget.toml"


@pytest.mark.parametrize(
    ("run", "status", "said"),
    [
        ("sound", 0, "conforming"),
        ("poor_pad", 1, "pad 2"),
        ("short", 3, "undecided"),
        ("other_names", 2, "the run records power_charger_W, power_lamp_W"),
    ],
)
def test_check_leaves_with_the_status_of_its_decision(
    folder: Path, heatrun: Heatrun, run: str, status: int, said: str
) -> None:
    done = heatrun("check", folder / f"{run}.csv", *budget_of(folder))
    assert done.status == status
    assert said in done.said


def test_nothing_is_written_beside_a_bare_csv(folder: Path, heatrun: Heatrun) -> None:
    heatrun("check", folder / "short.csv", *budget_of(folder))
    assert not list(folder.glob("*.json"))


def test_check_gives_what_each_source_warms_as_json(folder: Path, heatrun: Heatrun) -> None:
    done = heatrun("check", folder / "sound.csv", *budget_of(folder), "--json")
    document = json.loads(done.output)
    assert document["decision"] == "conforming"
    assert document["resistance_matrix"]["sources"] == ["charger", "driver"]
    assert [one["sources"] for one in document["reciprocity"]] == [["charger", "driver"]]
    assert {span["from"]: span["sources"] for span in document["spans"]}["case"] == [
        "charger",
        "driver",
    ]


def test_rate_says_how_far_each_source_may_go(folder: Path, heatrun: Heatrun) -> None:
    done = heatrun("rate", folder / "sound.csv", *budget_of(folder), "--json")
    assert done.status == 0
    assert set(json.loads(done.output)["sources"]) == {"charger", "driver"}


def test_rate_of_a_record_too_short_is_refused_on_one_line(folder: Path, heatrun: Heatrun) -> None:
    done = heatrun("rate", folder / "short.csv", *budget_of(folder))
    assert done.status == 2
    assert "the record does not resolve the last span" in done.said


def test_fit_without_a_budget_says_what_each_source_warms(folder: Path, heatrun: Heatrun) -> None:
    document = json.loads(heatrun("fit", folder / "sound.csv", "--json").output)
    assert document["sources"]["driver"]["node"] == "tab_2"
    by_source = document["nodes"]["tab_1"]["R_total_by_source_K_per_W"]
    at_rest = [steady_degC(watt)["tab_1"] - 25.0 for watt in ((1.0, 0.0), (0.0, 1.0))]
    assert [by_source[name] for name in ("charger", "driver")] == pytest.approx(at_rest, rel=0.01)
    assert "no network is supposed" in heatrun("fit", folder / "sound.csv").output


def test_rate_runs_a_profile_of_all_powers(folder: Path, heatrun: Heatrun, tmp_path: Path) -> None:
    profile = tmp_path / "profile.csv"
    profile.write_text("t_s,power_charger_W,power_driver_W\n0,4,0\n60,0,3\n120,0,0\n")
    asked = ("rate", folder / "sound.csv", *budget_of(folder), "--profile", profile)
    document = json.loads(heatrun(*asked, "--json").output)["profile"]
    assert document["mean_W"] == pytest.approx(3.5)
    assert document["sources"]["charger"]["peak_t_s"] == pytest.approx(60.0, abs=2.0)
    assert "charger: tab_1 at most" in heatrun(*asked).output


def test_rate_of_a_profile_of_one_power_says_which_columns_it_needs(
    folder: Path, heatrun: Heatrun, tmp_path: Path
) -> None:
    profile = tmp_path / "profile.csv"
    profile.write_text("t_s,power_W\n0,4\n60,0\n")
    done = heatrun("rate", folder / "sound.csv", *budget_of(folder), "--profile", profile)
    assert done.status == 2
    assert "begin with the line t_s,power_charger_W,power_driver_W" in done.said


def test_compare_tells_the_pad_that_is_worse(folder: Path, heatrun: Heatrun) -> None:
    runs = folder / "sound.csv", folder / "poor_pad.csv"
    done = heatrun("compare", *runs, *budget_of(folder), "--json")
    assert done.status == 0
    spans = {(one["from"], one["to"]): one for one in json.loads(done.output)["spans"]}
    changes = {ends: one["runs"][1]["change"] for ends, one in spans.items()}
    assert changes["back_2", "bar"] == "higher"
    assert changes["tab_1", "back_1"] == "none seen"
    assert changes["bar", "case"] == "none seen"


def test_compare_without_a_budget_asks_for_one(folder: Path, heatrun: Heatrun) -> None:
    done = heatrun("compare", folder / "sound.csv", folder / "poor_pad.csv")
    assert done.status == 2
    assert "state --budget" in done.said


def test_report_holds_the_tree_and_what_each_source_warms(
    folder: Path, heatrun: Heatrun, tmp_path: Path
) -> None:
    out = tmp_path / "report.html"
    done = heatrun("report", folder / "poor_pad.csv", *budget_of(folder), "--out", out)
    assert done.status == 0
    html = out.read_text(encoding="utf-8")
    for stage in ("vias 1", "pad 1", "vias 2", "pad 2", "joint", "case to air"):
        assert stage in html
    assert "charger (4.00 W)" in html
    assert "driver (2.50 W)" in html
    assert "charger warms driver as driver warms charger" in html
    assert "Powers of both that just reach a limit" in html


def test_report_compares_runs_of_one_tree(folder: Path, heatrun: Heatrun, tmp_path: Path) -> None:
    runs = folder / "poor_pad.csv", folder / "sound.csv"
    done = heatrun("report", *runs, *budget_of(folder), "--out", tmp_path / "report.html")
    assert done.status == 0


def test_report_without_a_budget_asks_for_one(
    folder: Path, heatrun: Heatrun, tmp_path: Path
) -> None:
    done = heatrun("report", folder / "sound.csv", "--out", tmp_path / "report.html")
    assert done.status == 2
    assert "state --budget" in done.said
