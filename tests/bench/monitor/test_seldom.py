"""Several sources judged while their run goes on: as `check` does, and seldom."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.monitor import seldom
from bench.monitor.page_state import page_state
from bench.monitor.seldom import SeldomJudge
from fit.assessment.branch_conformity import check_run
from fit.records.run import read_run
from fit.records.tail import FolderReader
from tests.support.made_trees import budget, made_run, write_csv


def test_a_folder_is_judged_as_check_judges_it(tmp_path: Path) -> None:
    write_csv(made_run(off_s=(200.0, 350.0), end_s=400.0, noise_K=0.02), tmp_path / "readings.csv")
    reader = FolderReader(tmp_path)
    reader.look()
    (found,) = SeldomJudge(budget()).estimates(reader.run())
    checked = check_run(read_run(tmp_path), budget())
    assert [span.decision for span in found.spans] == [span.decision for span in checked.spans]
    assert [span.R_K_per_W for span in found.spans] == pytest.approx(checked.measured.R_K_per_W)
    state = page_state(reader, [found], judged=True)
    assert state["decision"]["state"] == checked.decision  # type: ignore[index]


def test_without_a_budget_the_page_says_what_is_missing(tmp_path: Path) -> None:
    write_csv(made_run(end_s=10.0), tmp_path / "readings.csv")
    reader = FolderReader(tmp_path)
    reader.look()
    state = page_state(reader, [], judged=False)
    assert "without a budget" in state["decision"]["text"]  # type: ignore[index]


def test_it_rests_ten_times_as_long_as_a_judgement_took(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [100.0]

    def slow(*_: object) -> None:
        now[0] += 3.0

    monkeypatch.setattr("fit.assessment.live.verdict_so_far", slow)
    judge = SeldomJudge(budget(), lambda: now[0])
    run = made_run(end_s=10.0)
    scans = len(run.t_s)
    assert judge.is_due(scans)
    judge.estimates(run)
    now[0] = 103.0 + 0.99 * seldom.REST * 3.0
    assert not judge.is_due(scans + 1)
    now[0] = 103.0 + seldom.REST * 3.0
    assert judge.is_due(scans + 1)
    assert not judge.is_due(scans)
