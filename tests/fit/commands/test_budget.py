"""`heatrun budget`: what would have to change."""

from __future__ import annotations

import json
import re
from importlib.resources import files
from pathlib import Path

import pytest

from bench.cli import main
from tests.test_contract import call

DATA = Path(str(files("heatrun_data") / "charge_controller"))
BUDGET = DATA / "budget.toml"


def test_document_says_what_each_input_would_have_to_be(capsys) -> None:
    status, out = call(capsys, "budget", BUDGET, "--target", "junction=90", "--json")
    target = json.loads(out)["target"]
    assert (status, target["node"], target["ambient_degC"]) == (0, "junction", 55.0)
    assert target["reached"] is False
    needed = {(one["stage"], one["key"]): one["needed"] for one in target["inputs"]}
    assert needed["via array", "count"] > 20
    assert needed["pad", "thickness_mm"] is None


def test_without_a_target_the_document_is_what_it_was(capsys) -> None:
    assert "target" not in json.loads(call(capsys, "budget", BUDGET, "--json")[1])


def test_a_person_reads_what_is_needed_and_gets_the_figure(capsys, tmp_path, monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", "110")
    out = call(capsys, "budget", BUDGET, "--target", "junction=90", "--png", tmp_path / "png")[1]
    assert "count of via array" in out
    assert "cannot (" in out
    assert [path.name for path in (tmp_path / "png").iterdir()] == ["budget_target.png"]


def test_a_margin_is_kept_from_the_nearest_limit(capsys) -> None:
    target = json.loads(call(capsys, "budget", BUDGET, "--margin", 20, "--json")[1])["target"]
    assert (target["node"], target["degC"], target["reached"]) == ("junction", 105.0, True)


def test_another_ambient_may_be_asked_about(capsys) -> None:
    words = ("budget", BUDGET, "--target", "case=60", "--ambient", 25, "--json")
    target = json.loads(call(capsys, *words)[1])["target"]
    assert (target["ambient_degC"], target["reached"]) == (25.0, True)


@pytest.mark.parametrize(
    "words",
    [
        ("--target", "junction"),
        ("--target", "junction=warm"),
        ("--target", "junction=nan"),
        ("--target", "lid=90"),
        ("--target", "junction=40"),
        ("--target", "junction=90", "--margin", "5"),
        ("--png", "somewhere"),
    ],
)
def test_what_cannot_be_asked_is_one_line(capsys, words) -> None:
    with pytest.raises(SystemExit) as left:
        main(["budget", str(BUDGET), *words])
    assert (left.value.code, capsys.readouterr().err.count("\n")) == (2, 1)


def test_a_margin_without_a_limit_is_refused(capsys, tmp_path) -> None:
    path = tmp_path / "budget.toml"
    text = BUDGET.read_text(encoding="utf-8").replace("junction_degC = 125.0", "")
    path.write_text(text, encoding="utf-8")
    assert call(capsys, "budget", path, "--margin", 5)[0] == 2


def test_an_absurd_power_is_not_written_with_more_digits_than_it_is_worth(capsys) -> None:
    out = call(capsys, "budget", BUDGET, "--power", 35000)[1]
    assert not re.search(r"± 0\.0+\b|\d{4,}\.\d|\d\.\d{6}", out)


def test_the_allowed_power_names_the_limits_that_it_keeps(capsys, monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    kept = "W keeps junction within 125 °C in air of 55 °C, and case within 60 °C in air of 25 °C"
    assert kept in call(capsys, "budget", BUDGET)[1]


def test_limits_count_whatever_the_nodes_are_called(capsys, monkeypatch, tmp_path) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    text = BUDGET.read_text(encoding="utf-8").replace('"junction"', '"die"')
    (tmp_path / "b.toml").write_text(text.replace('"case"', '"housing"'), encoding="utf-8")
    out = call(capsys, "budget", tmp_path / "b.toml")[1]
    assert "die comes to 97.7 ± 4.4 °C; its limit is 125 °C: within." in out
    assert "housing comes to 38.5 ± 2.5 °C; its limit is 60 °C: within." in out
    assert "die within 125 °C in air of 55 °C, and housing within 60 °C in air of 25 °C" in out


def test_a_number_of_things_is_whole(capsys, monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    out = call(capsys, "budget", BUDGET, "--target", "junction=90")[1]
    assert re.search(r"count of via array +20 +\d+ +", out)
