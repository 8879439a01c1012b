"""`heatrun new DIR`: what it writes is what the other commands take."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from bench import cli
from bench.rig.schema import read_rig
from bench.rig.source_checks import check_against
from fit.budget import read_budget


def heatrun(*words: str) -> int:
    with pytest.raises(SystemExit) as caught:
        cli.main(list(words))
    return int(caught.value.code or 0)


@pytest.mark.parametrize("parts", [1, 2])
def test_budget_and_rig_are_of_so_many_parts_and_go_together(tmp_path: Path, parts: int) -> None:
    assert heatrun("new", str(tmp_path / "bench"), "--parts", str(parts)) == 0
    budget = read_budget(tmp_path / "bench" / "budget.toml")
    rig = read_rig(tmp_path / "bench" / "rig.toml")
    check_against(rig, budget)
    assert len(budget.sources) == len(rig.sources) == parts
    assert set(rig.path_nodes) <= set(budget.nodes)


def test_the_budget_of_two_parts_is_predicted(tmp_path: Path, capsys: Any) -> None:
    heatrun("new", str(tmp_path / "bench"), "--parts", "2")
    assert heatrun("budget", str(tmp_path / "bench" / "budget.toml")) == 0
    assert "Rise per watt of" in capsys.readouterr().out


def test_nothing_is_written_into_the_program_s_own_folder(tmp_path: Path, capsys: Any) -> None:
    (tmp_path / "bench").mkdir()
    (tmp_path / "bench" / "__init__.py").touch()
    assert heatrun("new", str(tmp_path / "bench")) == 2
    assert "holds a program" in capsys.readouterr().err
    assert [file.name for file in (tmp_path / "bench").iterdir()] == ["__init__.py"]


def test_so_many_parts_as_there_is_no_example_of_are_refused(tmp_path: Path) -> None:
    assert heatrun("new", str(tmp_path / "bench"), "--parts", "3") == 2
    assert not (tmp_path / "bench").exists()
