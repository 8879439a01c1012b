"""Every page read by a checker of accessibility (WCAG 2.2 A and AA, by axe-core's own rules)."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from bench import cli
from bench.demo import run_demo
from bench.monitor.follower import Watcher
from bench.monitor.server import Board, PageServer
from bench.virtual.scenarios import SCENARIOS
from fit.budget import read_budget
from fit.records.tail import FolderReader
from tests.support.accessibility import axe_source, violations
from tests.support.browser import browser, wait_until

WIDTHS = (1280, 800, 400)  # CSS pixels: a desk, a window, a phone
PAGES = ("one run", "two runs", "two parts")


@pytest.fixture(scope="module")
def axe() -> str:
    return axe_source()


@pytest.fixture(scope="module")
def folder(axe: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Run folders of demonstrations (invented data): a poor pad, a sound one, two parts."""
    folder = tmp_path_factory.mktemp("accessibility")
    run_demo("pad", 1, folder / "before")
    run_demo("none", 1, folder / "after")
    run_demo("pad", 1, folder / "parts", scenario=SCENARIOS["two-parts"])
    return folder


@pytest.fixture(scope="module")
def reports(folder: Path) -> dict[str, Path]:
    both = folder / "both.html"
    words = ["report", str(folder / "before"), str(folder / "after"), "--out", str(both)]
    with contextlib.suppress(SystemExit):
        cli.main(words)
    one, parts = (folder / name / "report.html" for name in ("before", "parts"))
    return dict(zip(PAGES, (one, both, parts), strict=True))


@contextlib.contextmanager
def watched(folder: Path) -> Iterator[str]:
    """The address of the live page of a run."""
    board = Board()
    watcher = Watcher(FolderReader(folder), read_budget(folder / "budget.toml"), board)
    server = PageServer(board)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    watcher.start()
    try:
        yield server.url
    finally:
        watcher.stop()
        server.shutdown()
        server.server_close()
        thread.join()


@pytest.mark.slow
@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("page", PAGES)
def test_a_report_has_no_violation(
    axe: str, reports: dict[str, Path], page: str, theme: str, tmp_path: Path
) -> None:
    with browser(tmp_path / "profile") as tab:
        tab.prefer(theme)
        tab.open(reports[page].as_uri())
        tab.run("document.querySelector('details').open = true")
        for width in WIDTHS:
            tab.resize(width, 900)
            assert violations(tab, axe) == []


@pytest.mark.slow
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_the_live_page_has_no_violation(axe: str, folder: Path, theme: str, tmp_path: Path) -> None:
    with watched(folder / "before") as url, browser(tmp_path / "profile") as tab:
        tab.prefer(theme)
        tab.open(url)
        wait_until(lambda: tab.run("return document.querySelector('.card svg')"), "the spans")
        for width in WIDTHS:
            tab.resize(width, 900)
            assert violations(tab, axe) == []
