"""`heatrun demo`: the whole job end to end, through real serial ports."""

from __future__ import annotations

import contextlib
import csv
import io
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from bench import cli
from bench.demo import demo_rig, make_demo_unit
from bench.virtual import ports
from fit.records.run import read_run


@dataclass(frozen=True)
class Outcome:
    folder: Path
    said: str
    check: dict[str, Any]
    truth: dict[str, Any]

    def measured(self, from_node: str, to_node: str) -> float:
        spans = {(span["from"], span["to"]): span for span in self.check["spans"]}
        return float(spans[from_node, to_node]["measured"]["R_K_per_W"])

    def true(self, name: str) -> float:
        return float({s["name"]: s["R_K_per_W"] for s in self.truth["stages"]}[name])


def heatrun(*words: str) -> int:
    with pytest.raises(SystemExit) as caught:
        cli.main(list(words))
    return int(caught.value.code or 0)


def demo(folder: Path, capsys: Any, *words: str) -> Outcome:
    assert heatrun("demo", *words, "--out", str(folder)) == 0
    said = capsys.readouterr().out
    check, truth = (
        json.loads((folder / name).read_text(encoding="utf-8"))
        for name in ("check.json", "truth.json")
    )
    return Outcome(folder, said, check, truth)


def test_a_sound_prototype_is_all_in_budget_and_the_run_folder_is_complete(
    tmp_path: Path, capsys: Any
) -> None:
    done = demo(tmp_path / "run", capsys)
    assert done.check["decision"] == "conforming"
    assert done.check["findings"] == []
    assert done.measured("board_back", "bar") == pytest.approx(done.true("pad"), rel=0.03)
    expected = {"readings.csv", "events.jsonl", "run.json", "fit.json", "check.json", "report.html"}
    assert expected <= {path.name for path in done.folder.iterdir()}

    events = [json.loads(line) for line in (done.folder / "events.jsonl").read_text().splitlines()]
    kinds = [event["event"] for event in events]
    assert kinds.index("power_on") < kinds.index("power_off") < kinds.index("stop")
    with (done.folder / "readings.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert float(rows[-1]["t_s"]) > 3600
    assert float(rows[-1]["supply_A"]) < 0.001

    assert "Verdict: all is in budget." in done.said
    assert "invented" in done.said
    assert "clock runs fast" in done.said
    # The files it leaves are what the other commands take.
    budget = str(done.folder / "budget.toml")
    assert heatrun("check", str(done.folder), "--budget", budget) == 0


def test_a_poor_pad_contact_is_named_and_measured(tmp_path: Path, capsys: Any) -> None:
    done = demo(tmp_path / "run", capsys, "--fault", "pad", "--seed", "2")
    assert done.check["decision"] == "non-conforming"
    assert "Verdict: 'pad' is the poor contact." in done.said
    lead = done.check["findings"][0]
    assert (lead["kind"], lead["where"]) == ("poor-contact", "pad")
    assert done.measured("board_back", "bar") == pytest.approx(done.true("pad"), rel=0.03)
    assert done.true("pad") > 1.7 * make_demo_unit("none", 2).truth(4.2)["pad"]


def test_a_loose_thermocouple_is_not_taken_for_a_poor_pad_and_needs_no_pty(
    tmp_path: Path, capsys: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ports, "HAS_PTY", False)
    done = demo(tmp_path / "run", capsys, "--fault", "sensor", "--seed", "3")
    assert "reader on socket://127.0.0.1:" in done.said
    lead = done.check["findings"][0]
    assert (lead["kind"], lead["where"]) == ("sensor-placement", "bar")


def test_a_wrong_power_reading_is_named(tmp_path: Path, capsys: Any) -> None:
    done = demo(tmp_path / "run", capsys, "--fault", "power", "--seed", "4")
    assert done.check["findings"][0]["kind"] == "power-error"


TWO_PARTS = ("--scenario", "two-parts")


@pytest.fixture(scope="module")
def two_parts(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    """The demo of two parts, one pad of which has poor contact; seed 2."""
    folder = tmp_path_factory.mktemp("two") / "run"
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        assert (
            heatrun("demo", *TWO_PARTS, "--fault", "pad", "--seed", "2", "--out", str(folder)) == 0
        )
    documents = (
        json.loads((folder / name).read_text(encoding="utf-8"))
        for name in ("check.json", "truth.json")
    )
    return Outcome(folder, said.getvalue(), *documents)


def test_of_two_parts_the_poor_pad_is_named_and_every_pad_measured(two_parts: Outcome) -> None:
    assert two_parts.check["decision"] == "non-conforming"
    assert "Verdict: 'charger pad' is the poor contact." in two_parts.said
    for part in ("charger", "regulator"):
        measured = two_parts.measured(f"{part}_back", "bar")
        assert measured == pytest.approx(two_parts.true(f"{part} pad"), rel=0.03)


def test_of_two_parts_the_run_folder_is_complete_and_names_its_sources(two_parts: Outcome) -> None:
    expected = {"readings.csv", "events.jsonl", "run.json", "fit.json", "check.json", "report.html"}
    assert expected <= {path.name for path in two_parts.folder.iterdir()}
    lines = (two_parts.folder / "events.jsonl").read_text().splitlines()
    off = [one for one in map(json.loads, lines) if one["event"] == "power_off"]
    assert [one["source"] for one in off] == ["charger", "regulator"]
    assert read_run(two_parts.folder).sources == ("charger", "regulator")


def test_of_two_parts_a_wrong_reading_of_one_supply_is_named(tmp_path: Path, capsys: Any) -> None:
    done = demo(tmp_path / "run", capsys, *TWO_PARTS, "--fault", "sharing", "--seed", "5")
    lead = done.check["findings"][0]
    assert (lead["kind"], lead["where"]) == ("power-sharing", "charger")


def test_a_fault_of_several_sources_is_refused_for_one_part(tmp_path: Path, capsys: Any) -> None:
    assert heatrun("demo", "--fault", "sharing", "--out", str(tmp_path / "run")) == 2
    assert "add --scenario two-parts" in capsys.readouterr().err


def test_a_fault_of_a_junction_is_refused_where_none_is_measured(
    tmp_path: Path, capsys: Any
) -> None:
    assert heatrun("demo", "--fault", "die", "--out", str(tmp_path / "run")) == 2
    assert "add --scenario junction" in capsys.readouterr().err


def test_an_existing_folder_is_refused_before_anything_is_done(tmp_path: Path, capsys: Any) -> None:
    (tmp_path / "mine").write_text("mine")
    assert heatrun("demo", "--out", str(tmp_path)) == 2
    assert "exists already" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["mine"]


def test_an_unknown_fault_is_refused(tmp_path: Path, capsys: Any) -> None:
    assert heatrun("demo", "--fault", "fan", "--out", str(tmp_path / "run")) == 2
    assert "fan" in capsys.readouterr().err
    assert not (tmp_path / "run").exists()


def test_the_demos_rig_differs_from_its_file_in_the_ports_only() -> None:
    rig = demo_rig({"reader": "socket://here:1", "supply": "socket://here:2"})
    assert [one.port for one in rig.instrument] == ["socket://here:1", "socket://here:2"]
    switching = rig.switching(rig.sources[0])
    assert switching is not None
    assert switching.limits
