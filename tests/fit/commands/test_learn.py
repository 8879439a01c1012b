"""`heatrun learn`, and `heatrun budget --learned`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bench.cli import main
from tests.support.schemas import hold_to_schema
from tests.test_contract import call, folder, readings  # noqa: F401  (a fixture)

WORDS = ("--budget", "budget.toml", "--out", "learned.json")


@pytest.fixture
def learned(folder, capsys) -> Path:  # noqa: F811
    assert call(capsys, "learn", "sound.csv", *WORDS)[0] == 0
    return folder / "learned.json"


def refused(capsys, *words: object) -> str:
    """The one line that a command is refused with."""
    capsys.readouterr()
    with pytest.raises(SystemExit) as left:
        main([str(word) for word in words])
    said = capsys.readouterr().err
    assert (left.value.code, said.count("\n")) == (2, 1)
    return said


def test_the_file_is_the_document_that_is_printed(folder, capsys) -> None:  # noqa: F811
    status, out = call(capsys, "learn", "sound.csv", *WORDS, "--json")
    document = json.loads(out)
    hold_to_schema(document)
    assert status == 0
    assert document == json.loads((folder / "learned.json").read_text(encoding="utf-8"))
    assert [run["taught"] for run in document["runs"]] == [True]


def test_the_next_design_is_surer_than_the_first(learned, capsys) -> None:
    before = json.loads(call(capsys, "budget", "budget.toml", "--json")[1])
    words = ("budget", "budget.toml", "--learned", learned, "--json")
    after = json.loads(call(capsys, *words)[1])
    assert after["nodes"]["tab"]["rise_u_K"] < 0.8 * before["nodes"]["tab"]["rise_u_K"]
    assert {"owner": "pad", "key": "conductivity_W_per_mK"} in after["learned"]


def test_a_person_reads_which_runs_taught_and_gets_the_figure(
    folder, capsys, monkeypatch # noqa: F811
) -> None:  # fmt: skip
    monkeypatch.setenv("COLUMNS", "110")
    Path("bad.csv").write_text(readings(pad=2.0), encoding="utf-8")
    status, out = call(capsys, "learn", "sound.csv", "bad.csv", *WORDS, "--png", "png")
    assert status == 0
    assert "1 of 2 runs taught" in out
    assert "bad.csv does not teach: check finds poor-contact at pad." in out
    assert Path("png/learned.png").is_file()


def test_a_bad_run_alone_is_refused_and_nothing_is_written(folder, capsys) -> None:  # noqa: F811
    Path("bad.csv").write_text(readings(pad=2.0), encoding="utf-8")
    assert "poor-contact at pad; --force teaches" in refused(capsys, "learn", "bad.csv", *WORDS)
    assert not Path("learned.json").exists()
    assert call(capsys, "learn", "bad.csv", *WORDS, "--force")[0] == 0


def test_nothing_is_written_over(learned, capsys) -> None:
    before = learned.read_bytes()
    assert "exists already" in refused(capsys, "learn", "sound.csv", *WORDS)
    assert learned.read_bytes() == before


def test_a_run_that_cannot_be_read_leaves_the_others_to_teach(folder, capsys) -> None:  # noqa: F811
    Path("nonsense.csv").write_text("nonsense\n", encoding="utf-8")
    status, _ = call(capsys, "learn", "sound.csv", "nonsense.csv", *WORDS)
    assert status == 2
    assert Path("learned.json").is_file()


def write_a_design_of_other_parts() -> None:
    """other.toml: nothing in it has a name that was learnt of."""
    text = Path("budget.toml").read_text(encoding="utf-8")
    for name in ("junction to tab", "via array", "pad", "bar to case", "case to air"):
        text = text.replace(f'name = "{name}"', f'name = "other {name}"')
    text = text.replace("path_fraction = 0.97", "path_fraction = 0.96")
    Path("other.toml").write_text(text, encoding="utf-8")


def test_a_design_that_has_none_of_it_is_refused(learned, capsys) -> None:
    write_a_design_of_other_parts()
    said = refused(capsys, "budget", "other.toml", "--learned", learned)
    assert "none of its inputs is in other.toml" in said


def test_what_to_change_is_asked_of_what_was_learnt(learned, capsys) -> None:
    words = ("budget", "budget.toml", "--target", "junction=90", "--json")
    before = json.loads(call(capsys, *words)[1])["target"]
    after = json.loads(call(capsys, *words, "--learned", learned)[1])["target"]
    assert after["now_u_K"] < before["now_u_K"]
    assert after["now_degC"] != before["now_degC"]


ON = ("--budget", "budget.toml", "--learned", "learned.json", "--out", "more.json")


def test_it_goes_on_from_what_was_learnt(learned, capsys, monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", "110")
    before = learned.read_bytes()
    Path("second.csv").write_text(readings(pad=1.02), encoding="utf-8")
    status, out = call(capsys, "learn", "second.csv", *ON, "--png", "png")
    assert status == 0
    assert "1 of 1 runs taught. Before them 1 run did: 13 of the 13 unsure inputs are" in out
    assert "counts as new: on the same rig" in " ".join(out.split())
    assert Path("png/learned.png").is_file()
    first, more = (json.loads(Path(name).read_text()) for name in ("learned.json", "more.json"))
    assert [run["run"] for run in more["runs"]] == ["sound.csv", "second.csv"]
    pairs = list(zip(first["inputs"], more["inputs"], strict=True))
    assert all(two["after"]["u"] < 1.01 * one["after"]["u"] for one, two in pairs)
    assert min(two["after"]["u"] / one["after"]["u"] for one, two in pairs) < 0.95
    assert learned.read_bytes() == before


def test_what_it_went_on_to_is_what_the_next_design_takes(learned, capsys) -> None:
    Path("second.csv").write_text(readings(pad=1.02), encoding="utf-8")
    assert call(capsys, "learn", "second.csv", *ON)[0] == 0
    status, out = call(capsys, "budget", "budget.toml", "--learned", "more.json", "--json")
    assert status == 0
    assert len(json.loads(out)["learned"]) == 13


def test_a_run_teaches_once_whatever_it_is_called(learned, capsys) -> None:
    Path("copy.csv").write_bytes(Path("sound.csv").read_bytes())
    said = refused(capsys, "learn", "copy.csv", *ON)
    assert "nothing is learnt: copy.csv is the same run as sound.csv in learned.json; a run" in said
    assert "--force lets it teach again" in said
    assert not Path("more.json").exists()


def test_by_force_it_teaches_again(learned, capsys) -> None:
    assert call(capsys, "learn", "sound.csv", *ON, "--force")[0] == 0
    runs = json.loads(Path("more.json").read_text(encoding="utf-8"))["runs"]
    assert [(run["run"], run["earlier"]) for run in runs] == [
        ("sound.csv", True),
        ("sound.csv", False),
    ]


def test_of_runs_that_have_taught_and_others_the_others_teach(learned, capsys) -> None:
    Path("second.csv").write_text(readings(pad=1.02), encoding="utf-8")
    capsys.readouterr()
    with pytest.raises(SystemExit) as left:
        main(["learn", "sound.csv", "second.csv", *ON])
    printed = capsys.readouterr()
    assert not left.value.code
    assert "1 of 1 runs taught" in printed.out
    assert "sound.csv is the same run as sound.csv in learned.json; a run" in printed.err


def test_a_copy_beside_its_run_teaches_nothing_more(folder, capsys) -> None:  # noqa: F811
    Path("copy.csv").write_bytes(Path("sound.csv").read_bytes())
    status, out = call(capsys, "learn", "sound.csv", "copy.csv", *WORDS)
    assert status == 0
    assert "1 of 1 runs taught." in out


def test_a_file_that_is_none_of_ours_is_refused_before_anything_is_measured(
    learned, capsys
) -> None:
    Path("second.csv").write_text(readings(pad=1.02), encoding="utf-8")
    words = ("learn", "second.csv", "--budget", "budget.toml", "--out", "more.json", "--learned")
    assert "no such file" in refused(capsys, *words, "absent.json")
    assert "is not JSON" in refused(capsys, *words, "second.csv")
    Path("fit.json").write_text('{"schema": "heatrun.fit/1"}', encoding="utf-8")
    assert "schema" in refused(capsys, *words, "fit.json")
    assert not Path("more.json").exists()


def test_going_on_never_writes_over_what_was_learnt(learned, capsys) -> None:
    before = learned.read_bytes()
    words = ("--budget", "budget.toml", "--learned", learned, "--out", learned)
    assert "exists already" in refused(capsys, "learn", "sound.csv", *words)
    assert learned.read_bytes() == before


def test_what_was_learnt_of_none_of_the_budgets_inputs_is_refused(learned, capsys) -> None:
    write_a_design_of_other_parts()
    words = ("--budget", "other.toml", "--learned", learned, "--out", "more.json")
    said = refused(capsys, "learn", "sound.csv", *words)
    assert "none of its inputs is in other.toml" in said


def test_what_is_known_of_another_product_is_kept_and_counted(learned, capsys) -> None:
    text = Path("budget.toml").read_text(encoding="utf-8").replace('name = "pad"', 'name = "sheet"')
    Path("other.toml").write_text(text, encoding="utf-8")
    Path("second.csv").write_text(readings(pad=1.02), encoding="utf-8")
    words = ("--budget", "other.toml", "--learned", "learned.json", "--out", "more.json")
    status, out = call(capsys, "learn", "second.csv", *words)
    assert status == 0
    said = " ".join(out.split())
    assert (
        "10 of the 13 unsure inputs are as learnt (learned.json). 3 of other products are" in said
    )
    kept = {one["owner"] for one in json.loads(Path("more.json").read_text())["inputs"][13:]}
    assert kept == {"pad"}
    assert "of pad" not in said
